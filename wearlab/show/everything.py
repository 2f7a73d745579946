"""A whole study as one JSON document: every answer, or what is missing for it."""

from dataclasses import asdict
from importlib.metadata import version
from typing import Any

from wearlab.evidence import Unanswered
from wearlab.show.document import answer_document, error_document, plain_value, table_rows
from wearlab.study import Study


def study_document(study: Study) -> dict[str, Any]:
    """Return every answer of a study under its command's name; ``cluster`` is a list, one entry per part looked at.

    An answer has the tables of its command's own ``--json`` document and its cautions; a question without an answer has
    ``error``. ``scale``, ``currency``, ``level``, settings and versions stand once, at the top.
    """
    basis = study.basis
    currency = study.history.config.currency
    named = {
        "load": study.loaded,
        "fit": study.fits,
        "compare": study.comparison,
        "intervals": study.recommendation,
        "early": study.early,
        "forecast": study.forecast,
        "backtest": study.backtest,
        "driveline": study.driveline,
        "wear": study.wear,
        "due": study.work,
    }
    answers: dict[str, Any] = {"lives": {"groups": table_rows(study.history.groups)}}
    answers |= {name: _answer(name, result, currency) for name, result in named.items() if result is not None}
    answers["cluster"] = [_answer("cluster", result, currency) for result in study.clusters]
    return {
        "command": "report",
        "version": version("wearlab"),
        "source": basis.source,
        "as_of": plain_value(basis.as_of),
        "scale": basis.scale,
        "currency": currency,
        "level": basis.level,
        "lives": basis.lives,
        "failures": basis.failures,
        "files": [plain_value(asdict(file)) for file in basis.files],
        "settings": {name: value for name, value in plain_value(asdict(study.settings)).items() if name != "today"},
        "versions": study.versions,
        "cautions": [caution.text for caution in study.cautions],
        "answers": answers,
    }


def _answer(name: str, result: Any, currency: str) -> dict[str, Any]:
    if isinstance(result, Unanswered):
        return {"error": error_document(name, result)["error"], "cautions": [c.text for c in result.cautions]}
    whole = answer_document(name, result, currency=currency, tables=result.tables())
    above = ("command", "version", "source", "as_of", "scale", "currency", "level")
    return {key: value for key, value in whole.items() if key not in above}
