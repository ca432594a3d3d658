"""Serves the files of vehicles and jobs: reports, pictures, exports and imports."""

from __future__ import annotations

from datetime import date  # noqa: TC003 (FastAPI needs it when the route is made)
from typing import TYPE_CHECKING, Annotated, Any, Final, Literal

from fastapi import APIRouter, HTTPException, Path, Query, Request, Response

from holdwatch_api.reports.files import Form, verify_file, write_report
from holdwatch_api.routes.job_bodies import BalanceView, Imported, Photo, Verified
from holdwatch_api.routes.job_work import ERRORS, JobWork
from holdwatch_api.routes.jobs import JobName  # noqa: TC001 - read by FastAPI
from holdwatch_daemon.jobs import (
    MOST_BYTES,
    UNITS,
    export_text,
    photograph,
    store_photograph,
    stories_of,
    take,
)
from holdwatch_procedures.vehicles import Figures, VehicleError, balance_of_texts, balance_sentence

if TYPE_CHECKING:
    from holdwatch_procedures.vehicles import Balance

REPORT_TYPES: Final = {
    "html": "text/html; charset=utf-8",
    "json": "application/json",
    "pdf": "application/pdf",
}
_REPORT_POLICY: Final = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; sandbox"
"""A report brings its own style and pictures, and needs nothing else: no script of it runs."""
PICTURES: Final = ("image/jpeg", "image/png", "image/webp")


def _raw(*kinds: str) -> dict[str, Any]:
    """Return how the document describes a body that is no JSON of ours."""
    schema = {"schema": {"type": "string", "format": "binary"}}
    return {"requestBody": {"required": True, "content": dict.fromkeys(kinds, schema)}}


def _answers(*kinds: str) -> dict[int | str, dict[str, Any]]:
    schemas = {kind.partition(";")[0]: {"type": "string"} for kind in kinds}
    if "application/json" in schemas:
        schemas["application/json"] = {"type": "object"}
    content = {kind: {"schema": schema} for kind, schema in schemas.items()}
    return {**ERRORS, 200: {"content": content, "description": "The file"}}


def file_routes(work: JobWork) -> APIRouter:
    """Return the routes of reports, pictures, exports and imports."""
    router = APIRouter(prefix="/api/v1", tags=["story files"])
    _add_reports(router, work)
    _add_pictures(router, work)
    _add_exchange(router, work)
    _add_balance(router, work)
    return router


def _add_reports(router: APIRouter, work: JobWork) -> None:
    @router.get(
        "/jobs/{job}/report",
        response_class=Response,
        responses=_answers(*REPORT_TYPES.values()),
        name="job_report",
    )
    @router.get(
        "/visits/{job}/report",
        response_class=Response,
        responses=_answers(*REPORT_TYPES.values()),
    )
    async def report(
        job: JobName,
        form: Annotated[Form, Query(description="PDF needs WeasyPrint on the service.")] = "html",
        on: Annotated[date | None, Query(description="Day it is made on; today's.")] = None,
    ) -> Response:
        """The report of a job: a page for the customer, a page for the shop, one file."""

        def made() -> tuple[str, bytes]:
            found, (content,) = write_report(work.desk(), job, (form,), made_on=work.today(on))
            return found.shop.work_order.number, content

        number, content = await work.do(made)
        safe = "".join(letter for letter in number if (letter.isascii() and letter.isalnum())
                       or letter in "-_")  # fmt: skip
        headers = {
            "content-disposition": f'inline; filename="report-{safe}.{form}"',
            "content-security-policy": _REPORT_POLICY,
        }
        return Response(content, media_type=REPORT_TYPES[form], headers=headers)

    @router.post(
        "/reports/verify",
        responses=ERRORS,
        openapi_extra=_raw("text/html", "application/json", "application/pdf"),
    )
    async def verify(request: Request) -> Verified:
        """Check a report's file against the store; names every place that differs."""
        content = await request.body()

        def checked() -> Verified:
            found, changed = verify_file(work.desk(), content, work.fluids, where="the file")
            sha256 = None if found is None else found.content_sha256
            return Verified(agrees=not changed, sha256=sha256, changed=changed)

        return await work.do(checked)


def _add_pictures(router: APIRouter, work: JobWork) -> None:
    @router.post("/photographs", status_code=201, responses=ERRORS, openapi_extra=_raw(*PICTURES))
    async def keep(
        request: Request,
        name: Annotated[str, Query(max_length=200, description="What it was called.")] = "",
    ) -> Photo:
        """Keep a picture under the SHA-256 of its bytes; a finding then names it by that."""
        content = await request.body()
        if len(content) > MOST_BYTES:
            raise HTTPException(413, f"A picture has at most {MOST_BYTES} bytes.")

        def kept() -> Photo:
            book = work.desk().book
            found = book.write(lambda p: store_photograph(p, book.photo_folder, content, name))
            return Photo(sha256=found.sha256, kind=found.kind, size=found.size, name=found.name)

        return await work.do(kept)

    @router.get("/photographs/{sha256}", response_class=Response, responses=_answers(*PICTURES))
    async def picture(
        sha256: Annotated[str, Path(pattern=r"^[0-9a-f]{64}$", description="SHA-256.")],
    ) -> Response:
        """A picture, as the kind that its bytes say it is."""
        found, content = await work.do(lambda: photograph(work.desk().book, sha256))
        headers = {
            "content-security-policy": "default-src 'none'; sandbox",
            "content-disposition": "inline",
            "cache-control": "private, max-age=31536000, immutable",
        }
        return Response(content, media_type=found.kind, headers=headers)


def _add_exchange(router: APIRouter, work: JobWork) -> None:
    @router.get(
        "/story", response_class=Response, responses=_answers("application/json", "text/csv")
    )
    async def export(
        form: Annotated[Literal["json", "csv"], Query(description="Everything, or a table.")] = (
            "json"
        ),
        table: Annotated[str, Query(max_length=40, description="For CSV.")] = UNITS,
        vehicle: Annotated[str | None, Query(max_length=100, description="Only this one.")] = None,
    ) -> Response:
        """Vehicles and their visits as a file: everything as JSON, or one table as CSV."""

        def made() -> str:
            return export_text(stories_of(work.desk().book, vehicle), form, table)

        kind = "application/json" if form == "json" else "text/csv"
        name = "story.json" if form == "json" else f"{table}.csv"
        headers = {"content-disposition": f'attachment; filename="{name}"'}
        return Response(await work.do(made), media_type=kind, headers=headers)

    @router.post("/story", responses=ERRORS, openapi_extra=_raw("application/json", "text/csv"))
    async def take_in(
        request: Request,
        table: Annotated[str, Query(max_length=40, description="For CSV.")] = UNITS,
    ) -> Imported:
        """Take vehicles and visits in, all or none; what is known already is replaced.

        Not replaced, but refused where the file says otherwise: what this store judged of a hold,
        and a visit that is closed here. A hold that is not stored here is kept as a statement.
        """
        content = await request.body()
        is_csv = request.headers.get("content-type", "").startswith("text/csv")

        def taken() -> Imported:
            try:
                text = content.decode("utf-8-sig")
            except UnicodeDecodeError as error:
                raise VehicleError(f"the file is no UTF-8: {error}") from error
            desk = work.desk()
            form: Literal["json", "csv"] = "csv" if is_csv else "json"
            units, visits = desk.book.write(
                lambda page: take(page, desk.tables, text, form, table, where="the file")
            )
            return Imported(vehicles=units, visits=visits)

        return await work.do(taken)


def _add_balance(router: APIRouter, work: JobWork) -> None:
    @router.get("/balance", responses=ERRORS)
    async def balance(
        charged: Annotated[
            list[str], Query(description="GRAMS@DATE, as 600@2025-05-04.", max_length=100)
        ],
        recovered: Annotated[
            list[str], Query(description="The recovery after each charge.", max_length=100)
        ],
        scale_tolerance_g: Annotated[float, Query(ge=0)] = 5.0,
        unrecovered_g: Annotated[str, Query(description="LOW:HIGH that stayed in it.")] = "0:30",
        hose_loss_g: Annotated[float, Query(ge=0)] = 0.0,
        nameplate_g: Annotated[float | None, Query(gt=0)] = None,
        evaporators: Annotated[int, Query(ge=1, le=2)] = 1,
        noticed_share_lost: Annotated[float, Query(gt=0, lt=1)] = 0.3,
    ) -> BalanceView:
        """The loss between weights that belong to no stored vehicle, g a year."""
        figures = Figures(
            scale_tolerance_g=scale_tolerance_g,
            unrecovered_g=unrecovered_g,
            hose_loss_g=hose_loss_g,
            nameplate_g=nameplate_g,
            evaporators=evaporators,
            noticed_share_lost=noticed_share_lost,
        )
        made: Balance = await work.do(lambda: balance_of_texts(charged, recovered, figures, ""))
        return BalanceView(sentence=balance_sentence(made), balance=made.to_dict())
