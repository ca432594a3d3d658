"""A report as one HTML file that needs nothing else: a customer's page, a shop's page, its data."""

from __future__ import annotations

import json
import re
from html import escape
from typing import TYPE_CHECKING, Any, Final

from holdwatch_api.reports.pictures import Pictures, picture_pages, shown_pictures
from holdwatch_api.reports.svg import leak_svg, pressure_svg
from holdwatch_procedures.vehicles import NOT_JUDGED_HERE, VehicleError, read_report

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from holdwatch_procedures.vehicles import HoldEntry, ProofRow, Report, Vehicle

_DATA_ID: Final = "holdwatch-report"
_DATA: Final = re.compile(
    rf'<script type="application/json" id="{_DATA_ID}">\n(.*)\n</script>', re.DOTALL
)
_LEAST_SHARE: Final = 0.01
"""Suspects below this share are in the data, not on the page."""
_DRAWN: Final = 2
"""Most holds whose curves the shop's page draws."""

_STYLE: Final = """
@page { size: A4; margin: 12mm 14mm; }
body { font: 9.2pt/1.33 "DejaVu Sans", system-ui, sans-serif; color: #1d2429; margin: 0; }
main { max-width: 180mm; margin: 0 auto; padding: 6mm; }
main + main { page-break-before: always; font-size: 7.5pt; line-height: 1.28; }
@media print { main { padding: 0; } }
@media screen { main + main { border-top: 1px dashed #98a4ab; } }
h1 { font-size: 17pt; margin: 0 0 1mm; }
h2 { font-size: 1.12em; margin: 3.4mm 0 0.8mm; border-bottom: 0.4pt solid #b9c3c9; }
main + main h1 { font-size: 13pt; }
main + main h2 { margin-top: 2mm; }
main + main table { font-size: 0.95em; }
p, ul { margin: 1mm 0; }
ul { padding-left: 5mm; }
table { border-collapse: collapse; width: 100%; margin: 1mm 0; }
th { text-align: left; font-weight: 600; }
th, td { padding: 0.35mm 2mm 0.35mm 0; border-bottom: 0.3pt solid #dde3e6; vertical-align: top; }
th, .whole { white-space: nowrap; }
.figure { text-align: right; white-space: nowrap; }
.lead { font-size: 1.06em; }
.quiet { color: #5a666d; font-size: 0.86em; }
.hash { font-family: "DejaVu Sans Mono", monospace; word-break: break-all; }
.curves { display: flex; gap: 4mm; }
.curves svg { width: 50%; }
.pictures { display: grid; grid-template-columns: repeat(2, 1fr); gap: 5mm; }
.pictures figure { margin: 0; break-inside: avoid; }
.pictures img { display: block; width: 100%; max-height: 95mm; }
.pictures img { object-fit: contain; object-position: left; }
.again { border: 0.8pt solid #1f5f7a; padding: 2mm 3mm; margin-top: 4mm; font-weight: 600; }
"""


def report_html(report: Report, pictures: Pictures | None = None) -> str:
    """Return the report as HTML; the same report with the same pictures gives the same bytes.

    Args:
        report: The report.
        pictures: The pictures to show, by the hash of their bytes; others are named by it.
    """
    data = report.to_json().replace("<", "\\u003c")
    title = escape(report.customer.title)
    parts = [
        "<!doctype html>",
        '<html lang="en"><head><meta charset="utf-8">',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{title}</title>",
        f"<style>{_STYLE}</style></head><body>",
        *_customer(report),
        *_shop(report),
        *picture_pages(report, pictures or {}),
        f'<script type="application/json" id="{_DATA_ID}">',
        data,
        "</script>",
        "</body></html>",
        "",
    ]
    return "\n".join(parts)


def read_html(text: str, *, where: str) -> Report:
    """Return the report that an HTML file carries, if file, data and pictures say the same.

    Raises:
        VehicleError: It carries none, its data was changed, its text says something else, or a
            picture in it is not the one that its hash names.
    """
    found = _DATA.search(text)
    if found is None:
        raise VehicleError(f"{where}: no report's data is in this file")
    report = read_json(found.group(1), where=where)
    shown = shown_pictures(text, where=where)
    ours, theirs = report_html(report, shown).splitlines(), text.splitlines()
    if ours == theirs:
        return report
    lines = zip([*ours, ""], [*theirs, ""], strict=False)
    number = next((n for n, (one, other) in enumerate(lines, start=1) if one != other), 0)
    said = theirs[number - 1][:120] if 0 < number <= len(theirs) else "the end"
    raise VehicleError(
        f"{where}, line {number}: the page shows what its data does not say (or another version "
        f"of holdwatch drew it): {said}"
    )


def read_json(text: str, *, where: str) -> Report:
    """Return the report of its JSON, if its hash is right.

    Raises:
        VehicleError: It is no report, or was changed.
    """
    try:
        content: Any = json.loads(text)
    except ValueError as error:
        raise VehicleError(f"{where}: this is not JSON: {error}") from error
    if not isinstance(content, dict):
        raise VehicleError(f"{where}: this is no report")
    return read_report(content, where=where)


def _customer(report: Report) -> Iterator[str]:
    page, unit = report.customer, report.shop.unit
    yield f"<main><h1>{escape(page.title)}</h1>"
    yield f'<p class="quiet">{escape(_unit_words(unit))}</p>'
    if page.complaint:
        yield f"<h2>What you told us</h2><p>{escape(page.complaint)}</p>"
    yield from _list("What we found", page.found)
    yield from _list("What we did", page.done)
    yield from _list("How we know", page.proof)
    proof = _deciding(report.shop.proofs)
    if proof is not None and (curves := _curves(proof)):
        yield curves
        yield (
            '<p class="quiet">The line is what the gauge saw with the effect of temperature '
            "taken out. The dashed line is what a leak at the limit would have shown. The shaded "
            "band is where the leak can lie: it narrows as the hold goes on.</p>"
        )
    yield from _charges(report)
    yield f'<h2>What to expect</h2><p class="lead">{escape(page.outlook)}</p>'
    yield from _list("", page.advice)
    if page.come_back_on is not None:
        day = f"{page.come_back_on:%d %B %Y}"
        yield f'<p class="again">Please come back on {day} to look again.</p>'
    yield _foot(report)


def _charges(report: Report) -> Iterator[str]:
    """One line for each day: what came out, what went in."""
    rows = report.customer.charge_history
    if not rows:
        return
    yield "<h2>Refrigerant over the scale</h2><table>"
    yield '<tr><th>day</th><th class="figure">taken out</th><th class="figure">put in</th></tr>'
    for day in sorted({row.on for row in rows}):
        cells = []
        for what in ("recovered", "charged"):
            masses = [f"{row.grams:g} g" for row in rows if row.on == day and row.what == what]
            cells.append(f'<td class="figure">{" + ".join(masses)}</td>')
        yield f"<tr><td>{day}</td>{''.join(cells)}</tr>"
    yield "</table>"


def _shop(report: Report) -> Iterator[str]:
    shop, order = report.shop, report.shop.work_order
    closed = "open" if order.closed_on is None else f"closed {order.closed_on}"
    yield f"<main><h1>Work order {escape(order.number)}: {escape(shop.unit.name)}</h1>"
    yield f'<p class="quiet">{escape(_unit_words(shop.unit))} · {order.opened_on}, {closed}</p>'
    yield from _holds(report)
    for proof in _drawn(shop.proofs):
        yield f"<p>{escape(_hold_name(proof))}</p>{_curves(proof)}"
    yield from _list("Sections", shop.sections)
    yield from _balance(report)
    if shop.suspects:
        yield "<h2>Suspects before the repair</h2><table>"
        for row in shop.suspects:
            if row.share < _LEAST_SHARE:
                continue
            words = "<br>".join(escape(finding) for finding in row.findings)
            share = f'<td class="figure">{100 * row.share:.0f} %</td>'
            yield f"<tr><td>{escape(row.name)}</td>{share}<td>{words}</td></tr>"
        yield "</table>"
    answers = [
        f"{answer.point}: {answer.answer}"
        + (f" ({answer.note})" if answer.note else "")
        + (f", {answer.by}" if answer.by else "")
        for answer in order.answers
    ]
    if answers:
        yield f"<h2>Follow-through</h2><p>{escape(' · '.join(answers))}</p>"
    yield from _list("Still open", shop.open_points)
    yield _foot(report)


def _holds(report: Report) -> Iterator[str]:
    if not report.shop.proofs:
        return
    yield "<h2>Holds</h2><table><tr><th>hold</th><th>day</th><th>part</th><th>outcome</th>"
    yield '<th class="figure">g a year, between</th><th class="figure">could see</th>'
    yield "<th>criterion</th></tr>"
    for proof in report.shop.proofs:
        hold = proof.hold
        bounds = f"{_figure(hold.g_per_year)}, {_figure(hold.low)} … {_figure(hold.high)}"
        when = " (after the repair)" if hold.after_repair else ""
        cells = [hold.hold_id, str(hold.on), f"{hold.section}{when}", _outcome(hold)]
        row = "".join(f'<td class="whole">{escape(cell)}</td>' for cell in cells)
        seen = _figure(hold.smallest_visible)
        yield (
            f'<tr>{row}<td class="figure">{bounds}</td><td class="figure">{seen}</td>'
            f'<td class="whole">{escape(hold.criterion)}</td></tr>'
        )
    yield "</table>"


def _balance(report: Report) -> Iterator[str]:
    made = report.shop.balance
    if made is None:
        return
    rate, law = made["g_per_year"], made["law"]
    high = "no upper bound" if rate["high"] is None else f"{rate['high']:.0f}"
    yield (
        f"<h2>Charge balance</h2><p>{rate['value']:.0f} g a year, between {rate['low']:.0f} and "
        f"{high} ({100 * rate['confidence']:.0f} %), over {made['days']:.0f} days; the law's "
        f"{law['limit_g_per_year']:g} g a year: {escape(str(law['loss']))}.</p>"
    )
    yield from _list("", made["notes"])


def _drawn(proofs: Iterable[ProofRow]) -> list[ProofRow]:
    """Return the holds to draw: the one that decides, and the plainest find before it."""
    drawable = [proof for proof in proofs if _curves(proof)]
    deciding = _deciding(drawable)
    found = [p for p in drawable if p is not deciding and p.hold.outcome == "fail"]
    rest = [p for p in drawable if p is not deciding and p not in found]
    chosen = [*(found or rest)[:1], *([] if deciding is None else [deciding])]
    return chosen[-_DRAWN:]


def _deciding(proofs: Iterable[ProofRow]) -> ProofRow | None:
    """Return the hold that the customer should see: the last nitrogen proof, else the last."""
    known = [proof for proof in proofs if proof.curve]
    after = [p for p in known if p.hold.after_repair and p.hold.procedure == "pressure-decay"]
    chosen = after or known
    return chosen[-1] if chosen else None


def _hold_name(proof: ProofRow) -> str:
    hold = proof.hold
    return f"{hold.section}: {_outcome(hold)}. {hold.sentence}"


def _outcome(hold: HoldEntry) -> str:
    return f"{hold.outcome}, {NOT_JUDGED_HERE}" if hold.judged_elsewhere else hold.outcome


def _curves(proof: ProofRow) -> str:
    drawings = pressure_svg(proof.curve) + leak_svg(proof.curve)
    return f'<div class="curves">{drawings}</div>' if drawings else ""


def _list(title: str, lines: Iterable[str]) -> Iterator[str]:
    items = "".join(f"<li>{escape(line)}</li>" for line in lines)
    if items:
        yield (f"<h2>{escape(title)}</h2>" if title else "") + f"<ul>{items}</ul>"


def _foot(report: Report) -> str:
    return (
        f'<p class="quiet">Made on {report.made_on} by holdwatch {escape(report.version)}. '
        f'Content SHA-256 <span class="hash">{report.content_sha256}</span>; '
        "<i>holdwatch report --verify FILE</i> checks this file against the shop’s store."
        "</p></main>"
    )


def _unit_words(unit: Vehicle) -> str:
    names = [unit.fleet_number, unit.plate, unit.vin or "", unit.description]
    charge = unit.nameplate_charge_g
    plate = f"{unit.refrigerant}" + ("" if charge is None else f", {charge:g} g by the plate")
    return " · ".join([*(name for name in names if name), plate])


def _figure(value: float | None) -> str:
    return "–" if value is None else f"{value:.0f}"
