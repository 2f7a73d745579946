"""The commands that are read: report, explain."""

from typing import Annotated

import typer

from wearlab.asked import SHOW, Asked, Reply, app, question, room, today


@question(SHOW)
def report(
    asked: Asked,
    *,
    audience: Annotated[str, typer.Option("--for", help="all, engineer, manager or analyst")] = "all",
    sheet: Annotated[bool, typer.Option("--sheet", help="also write the tables as one XLSX workbook")] = False,
    pdf: Annotated[bool, typer.Option("--pdf", help="also write the page as PDF (needs the extra 'pdf')")] = False,
    outside: Annotated[bool, typer.Option("--outside", help="leave out who did the work (crew, driver, ...)")] = False,
    paper: Annotated[str, typer.Option(help="paper of the PDF: A4 or Letter")] = "A4",
) -> Reply:
    """All of it as one self-contained HTML page, with its tables as CSV beside it (--out DIR)."""
    from wearlab.evidence import DataError
    from wearlab.show.paper import PAPERS, find_printer
    from wearlab.show.report import AUDIENCES, write_report
    from wearlab.study import Settings, run_study, second_process
    from wearlab.terminal import print_progress

    if asked.out is None:
        raise DataError("no-out", "a report needs a folder to be written to", "add --out DIR")
    if audience not in AUDIENCES:
        raise DataError("no-audience", f"--for {audience!r} is not a reader", "use one of " + ", ".join(AUDIENCES))
    if paper.capitalize() not in PAPERS:
        raise DataError("no-paper", f"--paper {paper!r} is not a paper size", "use one of " + ", ".join(PAPERS))
    if pdf:
        find_printer()
    settings = Settings(
        today=today(),
        store=asked.store,
        as_of=asked.as_of,
        scale=asked.scale,
        level=asked.level,
        seed=asked.seed,
        unknown_as_failure=asked.unknown_as_failures,
        room=room(asked),
        outside=outside,
    )
    with second_process() as pool:
        study = run_study(asked.source, settings, progress=print_progress, pool=pool)
        print_progress("drawing the report")
        written = write_report(
            study, asked.out, audience=audience, sheet=sheet, pdf=pdf, paper=paper.capitalize(), pool=pool
        )
    text = "\n".join((*written.in_short, f"Wrote {written.page}"))
    tables = study.tables() if asked.as_json else {}
    return Reply(study, tables, study.history.config.currency, text=text, shown=False)


@app.command(rich_help_panel=SHOW)
def explain(
    term: Annotated[str | None, typer.Argument(help="a term that the tool prints", show_default=False)] = None,
) -> None:
    """What a word that the tool prints means, in plain language."""
    from wearlab.evidence import DataError
    from wearlab.show.words import TERMS
    from wearlab.show.words import explain as explain_term
    from wearlab.terminal import print_text

    if term is None:
        print_text("Terms: " + ", ".join(sorted(TERMS)))
        return
    meaning = explain_term(term)
    if meaning is None:
        raise DataError("no-term", f"{term!r} is not a term that wearlab prints", "run wearlab explain for the list")
    print_text(meaning)
