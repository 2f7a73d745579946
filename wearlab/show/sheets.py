"""The work list as a page to print: one sheet per shop, week by week, inspection before grease, room to sign."""

from collections.abc import Iterator
from html import escape

import pandas as pd

from wearlab.evidence import Basis
from wearlab.show.document import show_text
from wearlab.show.figures import MISSING, is_missing, show_date, show_name, show_place, show_sentence

TASKS = {"inspect": "Inspect", "regrease": "Regrease", "replace_planned": "Replace"}
HEADINGS = ("Truck", "Where", "Task", "Due at", "Due on", "Status", "Minutes", "Parts", "Why", "Done, by")
POLICY = (
    "<meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'; "
    "img-src data:; base-uri 'none'; form-action 'none'\">"
)
STYLE = """
:root { --ink: #1d2430; --muted: #586273; --line: #b9c0ca; }
* { box-sizing: border-box; }
body { margin: 0 auto; padding: 1rem; max-width: 80rem; color: var(--ink); background: #fff;
  font: 0.9rem/1.4 system-ui, "Segoe UI", "Noto Sans", "DejaVu Sans", sans-serif; }
h1 { font-size: 1.4rem; margin: 0 0 0.2rem; }
h2 { font-size: 1.05rem; margin: 1.2rem 0 0.3rem; break-after: avoid; }
p { margin: 0 0 0.5rem; max-width: 60rem; }
.muted { color: var(--muted); }
.safety { border: 2px solid var(--ink); padding: 0.4rem 0.6rem; max-width: none; }
table { border-collapse: collapse; width: 100%; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th, td { text-align: left; vertical-align: top; padding: 0.25rem 0.4rem; border: 1px solid var(--line); }
td.number, th.number { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
td.sign { min-width: 6rem; }
td.truck { font-weight: 600; min-width: 5rem; max-width: 12rem; overflow-wrap: break-word; }
tr.next td { border-top: 2px solid var(--ink); }
@page { size: A4 landscape; margin: 12mm; }
@media print { body { padding: 0; max-width: none; font-size: 8.5pt; } .sheet + .sheet { break-before: page; } }
@media screen { .sheet + .sheet { border-top: 3px double var(--line); margin-top: 2rem; padding-top: 1.5rem; } }
"""


def draw_sheets(work: pd.DataFrame, basis: Basis, safety: str) -> str:
    """Return the work list as one self-contained HTML page, one sheet per shop; the same work gives the same text.

    Text from the data is escaped; the page asks the network for nothing and runs no script.
    """
    shops = list(dict.fromkeys(work["shop"].where(work["shop"].notna(), "").sort_values(kind="stable")))
    sheets = [part for shop in shops for part in _sheet(work, str(shop), basis, safety)]
    empty = [] if shops else ["<section class=sheet>", "<h1>Nothing is due</h1>", _safety(safety), "</section>"]
    head = [
        "<!DOCTYPE html>",
        '<html lang="en">',
        "<head>",
        '<meta charset="utf-8">',
        POLICY,
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        f"<title>{_text(f'Work list of {show_text(basis.source)}')}</title>",
        '<link rel="icon" href="data:,">',
        f"<style>{STYLE}</style>",
        "</head>",
        "<body><main>",
    ]
    return "\n".join([*head, *sheets, *empty, "</main></body>", "</html>", ""])


def _sheet(work: pd.DataFrame, shop: str, basis: Basis, safety: str) -> Iterator[str]:
    own = work[work["shop"].where(work["shop"].notna(), "") == shop]
    yield "<section class=sheet>"
    yield f"<h1>{_text(show_name(shop) if shop else 'Shop not recorded')}: work list</h1>"
    day = show_date(basis.as_of) if basis.as_of is not None else MISSING
    yield f"<p class=muted>{_text(show_text(basis.source))}, as of {_text(day)}. {_text(_amount(own))}</p>"
    yield _safety(safety)
    for week, jobs in own.groupby("week", sort=True):
        yield f"<h2>Week of {_text(show_date(week))}: {_text(_amount(jobs))}</h2>"
        yield from _table(jobs)
    yield "</section>"


def _safety(safety: str) -> str:
    return f"<p class=safety><strong>Inspect before greasing: fresh grease hides play.</strong> {_text(safety)}</p>"


def _amount(jobs: pd.DataFrame) -> str:
    trucks, minutes = jobs["unit_id"].nunique(), int(jobs["minutes"].sum())
    hours = f"{minutes / 60:.1f} hours" if minutes >= 90 else f"{minutes} minutes"
    return f"{_many(trucks, 'truck')}, {_many(len(jobs), 'job')}, about {hours} of work."


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _table(jobs: pd.DataFrame) -> Iterator[str]:
    numeric = {"Due at", "Minutes"}
    heads = "".join(
        f'<th scope="col"{" class=number" if name in numeric else ""}>{_text(name)}</th>' for name in HEADINGS
    )
    yield f"<table><thead><tr>{heads}</tr></thead><tbody>"
    last = None
    for row in jobs.to_dict("records"):
        where = "whole truck" if is_missing(row["position"]) else show_place(row["position"])
        miles = MISSING if is_missing(row["due_miles"]) else f"{row['due_miles']:,.0f} mi"
        cells = (
            ("truck", show_text(row["unit_id"])),
            ("", where),
            ("", TASKS.get(str(row["task"]), show_name(row["task"]))),
            ("number", miles),
            ("", show_date(row["due_date"])),
            ("", show_name(row["status"])),
            ("number", f"{row['minutes']:.0f}"),
            ("", MISSING if is_missing(row["parts"]) else show_text(row["parts"])),
            ("", show_sentence(row["why"])),
            ("sign", "☐"),
        )
        inside = "".join(f"<td{f' class={kind}' if kind else ''}>{_text(text)}</td>" for kind, text in cells)
        yield f"<tr{' class=next' if row['unit_id'] != last else ''}>{inside}</tr>"
        last = row["unit_id"]
    yield "</tbody></table>"


def _text(text: object) -> str:
    return escape(str(text), quote=True)
