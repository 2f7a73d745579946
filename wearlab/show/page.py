"""A study arranged as a page: chapters, sections, tables and cautions, ready for a template that only formats."""

from dataclasses import dataclass, fields

from wearlab.evidence import SAFETY, Basis
from wearlab.show.chapters import Chapter, make_chapters
from wearlab.show.decisions import Brief, Decision, decide, in_short
from wearlab.show.document import show_text
from wearlab.show.figures import show_count, show_date, show_number, show_scale, show_sentence, show_share
from wearlab.show.pictures import Picture
from wearlab.study import Study

TITLE = "Drive-shaft wear report"
AUDIENCES = ("all", "engineer", "manager", "analyst")


@dataclass(frozen=True, slots=True)
class Page:
    """The whole report."""

    title: str
    of: str
    facts: tuple[tuple[str, str], ...]
    in_short: tuple[Brief, ...]
    decisions: tuple[Decision, ...]
    chapters: tuple[Chapter, ...]
    cautions: tuple[str, ...]
    safety: str
    files: tuple[tuple[str, ...], ...]
    settings: tuple[tuple[str, str], ...]
    versions: tuple[tuple[str, str], ...]
    beside: tuple[tuple[str, str], ...]


def arrange(study: Study, *, audience: str) -> Page:
    """Return the page for one reader (one of ``AUDIENCES``): their decisions and chapter, and what all need."""
    if audience not in AUDIENCES:
        raise ValueError(f"audience must be one of {', '.join(AUDIENCES)}, not {audience!r}")
    basis, decisions = study.basis, decide(study, audience=audience)
    return Page(
        title=TITLE,
        of=show_text(basis.source),
        facts=_facts(study),
        in_short=in_short(decisions),
        decisions=decisions,
        chapters=make_chapters(study, audience=audience),
        cautions=tuple(show_sentence(caution.text) for caution in study.cautions if caution.code != SAFETY.code),
        safety=SAFETY.text,
        files=_files(basis),
        settings=_settings(study),
        versions=tuple(study.versions.items()),
        beside=tuple((f"{name}.csv", show_count(len(frame))) for name, frame in study.tables().items()),
    )


def _facts(study: Study) -> tuple[tuple[str, str], ...]:
    basis, groups = study.basis, study.history.groups
    facts = [("Looking back from", show_date(basis.as_of))] if basis.as_of else []
    if len(study.history.units):
        facts.append(("Trucks", show_count(len(study.history.units))))
    facts += [("Lives", show_count(basis.lives)), ("Failures", show_count(basis.failures))]
    if "exposure" in groups and len(groups):
        facts.append((f"Part {show_scale(basis.scale)} watched", show_number(float(groups["exposure"].sum()))))
    facts.append(("Every range", f"two-sided, {show_share(basis.level)}"))
    return tuple(facts)


def _files(basis: Basis) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (
            show_text(file.name),
            show_text(file.table),
            show_count(file.rows_read),
            show_count(file.rows_loaded),
            show_count(file.rows_set_aside),
            show_count(file.rows_already_loaded),
            show_text(file.sha256),
        )
        for file in basis.files
    )


def _settings(study: Study) -> tuple[tuple[str, str], ...]:
    values = [(field.name, getattr(study.settings, field.name)) for field in fields(study.settings)]
    shown = [(name.replace("_", " "), _setting(value)) for name, value in values if name not in ("store", "today")]
    basis = study.basis
    looked = [("source", show_text(basis.source)), ("as of", show_date(basis.as_of)), ("scale", show_text(basis.scale))]
    return (*looked, *(pair for pair in shown if pair[0] not in ("as of", "scale")))


def _setting(value: object) -> str:
    if value is None or value == ():
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return ", ".join(map(show_text, value)) if isinstance(value, tuple) else show_text(value)


def pictures_of(page: Page) -> tuple[Picture, ...]:
    """Return every picture of the page in its order."""
    return tuple(picture for chapter in page.chapters for section in chapter.sections for picture in section.pictures)
