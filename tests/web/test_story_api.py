"""The story over HTTP: every change once, every refusal a sentence, pictures served safely."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import httpx
import pytest
import pytest_asyncio
from story_rig import StoryService, png

from holdwatch_api.app import create_app
from holdwatch_cli.demo.season import seed_story
from holdwatch_daemon.jobs.access import StoryBook

if TYPE_CHECKING:
    from collections.abc import AsyncIterator
    from pathlib import Path

    from fastapi import FastAPI

DAY = "2026-05-04"
TRACE = "time,channel,value,unit\n0,low_side,1500,kPag\n"
RECIPE = {
    "procedure": "pressure-decay",
    "criterion": {"leak_g_per_year": 60.0, "source": "shop rule"},
    "limits": {"max_duration_min": 60},
}


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> tuple[StoryService, FastAPI]:
    service = StoryService(tmp_path_factory.mktemp("story"))
    return service, create_app(service.as_service)


@pytest_asyncio.fixture
async def client(
    served: tuple[StoryService, FastAPI], tmp_path: Path
) -> AsyncIterator[httpx.AsyncClient]:
    service, app = served
    service.keep_in(tmp_path)  # each test has a store of its own
    transport = httpx.ASGITransport(app)
    async with httpx.AsyncClient(
        transport=transport, base_url="http://localhost/api/v1/", timeout=60
    ) as client:
        yield client


async def post(client: httpx.AsyncClient, path: str, status: int = 200, **body: Any) -> Any:
    answer = await client.post(path, json=body)
    assert answer.status_code == status, answer.text
    return answer.json()


async def detail(client: httpx.AsyncClient, path: str, status: int, **body: Any) -> str:
    told = await post(client, path, status, **body)
    return str(told["detail"])


async def test_a_visit_is_written_as_by_the_commands(client: httpx.AsyncClient) -> None:
    unit = {"fleet_number": "BM-09", "refrigerant": "R1234yf", "nameplate_charge_g": 600}
    added = await post(client, "vehicles", 201, unit={**unit, "volume_class": "van-one-evaporator"})
    assert added["unit"]["refrigerant"] == "R-1234yf"
    assert added["volume"].startswith("2.5 litres ±20.0 % (class")
    changed = await client.patch("vehicles/bm09", json={"plate": "LIB 209"})
    assert changed.json()["unit"]["plate"] == "LIB 209"
    assert changed.json()["unit"]["nameplate_charge_g"] == 600
    opened = await post(client, "vehicles/lib 209/visits", 201, complaint="Warm.", on=DAY)
    number = opened["visit"]["number"]
    base = f"visits/{number}"
    warned = await post(client, f"{base}/weighings", kind="recovered", grams=500, on=DAY)
    assert "This refrigerant burns" in " ".join(warned["cautions"])
    found = await post(
        client, f"{base}/findings", place="condenser", means="bubbles", points="for", on=DAY
    )
    assert found["suspects"][0]["place"] == "condenser"
    assert "Most suspected: condenser" in found["sentence"]
    await post(client, f"{base}/repairs", place="condenser", on=DAY)
    dyed = await post(client, f"{base}/dye", dye="yellow", amount_ml=6, way="under vacuum", on=DAY)
    assert dyed["visit"]["dye"][0]["amount_ml"] == 6
    await post(client, f"{base}/parts", name="condenser", quantity=1)
    await post(client, f"{base}/advice", text="Come back in June.")
    answered = await post(client, f"{base}/answers", point="oil", note="5 ml out, 5 ml in", on=DAY)
    assert "oil" not in {point["key"] for point in answered["open_points"]}
    assert answered["text"] == "oil: done."
    noted = await post(client, f"{base}/answers", point="prove", on=DAY)
    assert noted["text"].startswith("prove: noted, but still open: no nitrogen hold of the whole")
    await post(client, f"{base}/remove", field="answers", position=1)
    refused = await detail(client, f"{base}/close", 409, on=DAY)
    assert re.search(
        r"cannot close: recover: 500 g is written down; confirm .*prove: not answered", refused
    )
    assert all(p["cautions"] or p["key"] == "look-again" for p in answered["open_points"])
    taken = await post(client, f"{base}/remove", field="repairs", position=0)
    assert taken["visit"]["repairs"] == []
    assert "no repairs number 0" in await detail(
        client, f"{base}/remove", 404, field="repairs", position=0
    )


async def test_a_change_sent_twice_is_made_once(client: httpx.AsyncClient) -> None:
    opened = await post(client, "vehicles/BM-03/visits", 201, id="a", on=DAY)
    again = await post(client, "vehicles/BM-03/visits", 201, id="a", on=DAY)
    assert again["visit"]["number"] == opened["visit"]["number"]
    for _ in range(2):
        weighed = await post(
            client, "visits/BM-03/weighings", id="w-1", kind="recovered", grams=610, on=DAY
        )
        assert len(weighed["visit"]["weighings"]) == 1
    told = await detail(
        client, "visits/BM-03/weighings", 409, id="w-1", kind="recovered", grams=620, on=DAY
    )
    assert "belongs to another change already" in told
    plain = await post(client, "visits/BM-03/weighings", kind="charged", grams=650, on=DAY)
    assert len(plain["visit"]["weighings"]) == 2


async def test_refusals_name_what_where_and_how(client: httpx.AsyncClient) -> None:
    for path, status, body, words in (
        ("vehicles/BM-99/visits", 404, {}, "No vehicle goes by 'BM-99'"),
        ("visits/BM-03/close", 409, {}, "BM-03 has no open visit; its visits: "),
        ("visits/none/close", 404, {}, "neither the number of a visit nor a vehicle"),
        ("visits/BM-01/findings", 409, finding(place="roof"), "Place 'roof' is not in the"),
        ("visits/BM-01/findings", 409, finding(means="nose"), "Means 'nose' is not in the"),
        ("visits/BM-01/findings", 409, finding(photographs=["0" * 64]), "send it before"),
        ("visits/BM-01/answers", 409, {"point": "none"}, "is no point: write one of recover"),
        ("visits/BM-01/answers", 409, {"point": "oil", "answer": "deferred"}, "needs a reason"),
        ("visits/BM-01/holds", 404, {"hold_id": None}, "No hold of BM-01 waits"),
        ("visits/BM-01/weighings", 409, {"kind": "charged", "grams": -1}, "greater than or equal"),
        ("vehicles", 409, {"unit": {"refrigerant": "R134a"}}, "at least one of `fleet_number`"),
        ("vehicles", 409, {"unit": {"plate": "x", "refrigerant": "tea"}}, "unknown refrigerant"),
    ):
        assert words in await detail(client, path, status, **body), path
    nothing = await client.patch("vehicles/BM-03", json={})
    assert nothing.status_code == 409
    assert nothing.json()["detail"] == "Nothing to change was given"


def finding(**changes: Any) -> dict[str, Any]:
    return {"place": "condenser", "means": "dye", "points": "for", "on": DAY, **changes}


async def test_a_picture_is_served_as_what_it_is_and_nothing_more(
    client: httpx.AsyncClient,
) -> None:
    kept = await client.post(
        "photographs?name=row.png", content=png(7), headers={"content-type": "image/jpeg"}
    )
    assert kept.status_code == 201
    assert kept.json()["kind"] == "image/png"  # by its bytes, whatever it was sent as
    seen = await client.get(f"photographs/{kept.json()['sha256']}")
    assert seen.content == png(7)
    assert seen.headers["content-type"] == "image/png"
    assert seen.headers["x-content-type-options"] == "nosniff"
    assert seen.headers["content-security-policy"] == "default-src 'none'; sandbox"
    page = await client.post(
        "photographs", content=b"<script>alert(1)</script>", headers={"content-type": "image/png"}
    )
    assert (page.status_code, page.json()["detail"]) == (
        409,
        "This is no picture: send a JPEG, PNG or WebP",
    )
    huge = png(7)[:30] + bytes(12 * 2**20)
    large = await client.post("photographs", content=huge, headers={"content-type": "image/png"})
    assert large.status_code == 413
    other = await client.post("photographs", content=png(7), headers={"content-type": "text/plain"})
    assert other.status_code == 415


async def test_a_report_is_given_and_checked(client: httpx.AsyncClient) -> None:
    year = datetime.now(UTC).year
    vehicle = (await client.get("vehicles/BM-04")).json()
    number = vehicle["visits"][-1]["number"]
    assert vehicle["visits"][-1]["repairs"], (number, year)
    page = await client.get(f"visits/{number}/report")
    assert page.headers["content-type"] == "text/html; charset=utf-8"
    assert "script-src" not in page.headers["content-security-policy"]
    assert "sandbox" in page.headers["content-security-policy"]
    kind = {"content-type": "text/html"}
    told = (await client.post("reports/verify", content=page.content, headers=kind)).json()
    assert (told["agrees"], told["changed"]) == (True, [])
    false = page.text.replace("665 g", "865 g", 1)
    told = (await client.post("reports/verify", content=false.encode(), headers=kind)).json()
    assert told["agrees"] is False
    assert "the page shows what its data does not say" in told["changed"][0]
    as_json = await client.get(f"visits/{number}/report?form=json")
    assert as_json.json()["content_sha256"] in page.text


async def test_the_whole_story_goes_out_and_comes_in_again(client: httpx.AsyncClient) -> None:
    story = await client.get("story")
    assert len(story.json()["units"]) == 5
    kind = {"content-type": "application/json"}
    taken = await client.post("story", content=story.content, headers=kind)
    assert taken.json() == {"vehicles": 5, "visits": 9}
    table = await client.get("story?form=csv&table=weighings&vehicle=BM-04")
    assert table.text.splitlines()[0].startswith("unit,visit,kind,grams,on")
    csv = {"content-type": "text/csv"}
    assert (await client.post("story?table=weighings", content=table.content, headers=csv)).json()[
        "visits"
    ] == 3
    wrong = table.text.replace("recovered", "lost")
    refused = await client.post("story?table=weighings", content=wrong.encode(), headers=csv)
    assert refused.status_code == 409
    assert refused.json()["detail"].startswith("The file, line 2: `kind`")
    other = await client.post("story?table=wheels", content=table.content, headers=csv)
    assert "There is no table 'wheels': write one of units, weighings" in other.text


async def test_a_trace_needs_what_its_section_has_not(client: httpx.AsyncClient) -> None:
    told = await detail(
        client, "visits/BM-01/traces", 409, trace=TRACE, recipe=RECIPE, section="compressor"
    )
    assert "volume_l" in told
    volume = {"litres": 0.3, "relative_u": 0.05, "how": "stated", "source": "stated by the shop"}
    kept = await client.patch("vehicles/BM-01", json={"section_volumes": {"compressor": volume}})
    assert kept.json()["unit"]["section_volumes"]["compressor"]["litres"] == 0.3
    said = "0.3 litres ±5.0 % (stated: stated by the shop)"
    assert kept.json()["section_volumes"] == {"compressor": said}
    bound = await post(
        client, "visits/BM-01/traces", trace=TRACE, recipe=RECIPE, section="compressor", on=DAY
    )
    (hold,) = bound["visit"]["holds"]
    assert (hold["section"], hold["outcome"]) == ("compressor", "inconclusive")
    unknown = await client.patch("vehicles/BM-01", json={"section_volumes": {"roof": volume}})
    assert "Place 'roof' is not in the component tree" in unknown.json()["detail"]


async def test_weights_of_no_vehicle_are_balanced(client: httpx.AsyncClient) -> None:
    # The same weights on the command line: tests/service/test_story_balance_command.py.
    asked = {"charged": ["600@2025-05-04"], "recovered": ["540@2026-05-02"]}
    made = (await client.get("balance", params=asked)).json()
    assert made["sentence"] == "Between 28 and 63 g a year were lost over 363 days."
    wrong = await client.get("balance", params={"charged": ["600 g"], "recovered": ["1"]})
    assert wrong.json()["detail"] == "Charged 600 g: write GRAMS@DATE, for example 600@2025-05-04"


async def test_the_words_of_a_vehicle_hold_what_a_find_may_say(client: httpx.AsyncClient) -> None:
    words = (await client.get("vehicles/BM-04/words")).json()
    places = {place["key"] for place in words["places"]}
    assert "rear-evaporator" in places  # it has two
    assert "rear-evaporator" not in {
        place["key"] for place in (await client.get("vehicles/BM-05/words")).json()["places"]
    }
    for means in words["means"]:
        assert set(means["places"]) <= places
    assert words["tables"][0] == "units"


async def test_who_may_watch_may_not_write(tmp_path: Path) -> None:
    secrets = tmp_path / "tokens"
    secrets.mkdir(mode=0o700)
    for name, secret in (("watch", "w" * 32), ("operate", "o" * 32)):
        path = secrets / name
        path.write_text(secret)
        path.chmod(0o600)
    service = StoryService(tmp_path)
    http = service.config.http.model_copy(
        update={
            "watch_token_file": secrets / "watch",
            "operate_token_file": secrets / "operate",
        }
    )
    service.config = service.config.model_copy(update={"http": http})
    transport = httpx.ASGITransport(create_app(service.as_service))
    async with httpx.AsyncClient(transport=transport, base_url="http://localhost") as client:

        async def status(secret: str, method: str, path: str) -> int:
            headers = {"authorization": f"Bearer {secret}"} if secret else {}
            body: dict[str, Any] | None = {} if method == "POST" else None
            answer = await client.request(method, f"/api/v1/{path}", json=body, headers=headers)
            return answer.status_code

        assert await status("", "GET", "vehicles/BM-04") == 401
        assert await status("w" * 32, "GET", "vehicles/BM-04") == 200
        assert await status("w" * 32, "POST", "visits/BM-01/reopen") == 403
        assert await status("o" * 32, "POST", "visits/BM-01/reopen") == 200


def test_the_demo_fills_an_empty_store_only_with_a_season_that_has_just_ended(
    tmp_path: Path,
) -> None:
    service = StoryService(tmp_path)
    assert not seed_story(service.config.database, service.clock.utc_ns)
    book = StoryBook(service.config.database, service.clock.utc_ns)
    last = max(visit.opened_on for visit in book.story("BM-05").visits)
    assert timedelta(0) <= datetime.now(UTC).date() - last < timedelta(days=366)
    assert book.visit("BM-01")[1].closed_on is None  # what the bay's hold can be bound to
