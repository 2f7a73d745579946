"""Every term that the tool prints, explained in the words of a workshop."""

import re

from wearlab.show.terms import TERMS

__all__ = ["ALIASES", "TERMS", "explain"]

ALIASES: dict[str, str] = {
    "age at failure": "age",
    "after a failure of": "consequence",
    "check": "verdict",
    "crew": "factor",
    "failures after": "consequence",
    "failures of": "consequence",
    "failures without": "consequence",
    "fitted outside": "failure mode",
    "gain": "combination",
    "if": "limited by",
    "lives after it": "consequence",
    "model": "combination",
    "outside the limit": "verdict",
    "seen": "theta",
    "splines": "slip spline",
    "term": "theta",
    "that is": "theta",
    "times as often": "observed to expected ratio",
    "times as often as before": "consequence",
    "curve that fits best": "life curve",
    "grease bears on it": "failure mode",
    "jobs": "due",
    "kind": "verdict",
    "later parts against first": "successive parts",
    "measurements": "wear",
    "minutes": "due",
    "mode": "failure mode",
    "positions": "position",
    "share failing young": "shape",
    "share of failures": "failure mode",
    "straight on paper, p value": "probability paper",
    "a truck this many times worse": "flagged",
    "chance of failing in 90 days": "probability",
    "cost of the failures": "forecast",
    "failures expected": "expected",
    "failures in 100 truck-years": "rate per million",
    "failures needed": "flagged",
    "fitted": "age",
    "in service": "position",
    "is flagged with chance": "flagged",
    "later than planned": "regrease gap",
    "mean life": "life",
    "limit": "miles to limit",
    "median age at failure": "age",
    "median days since service": "age",
    "median gap, 8 in 10 gaps": "regrease gap",
    "reading": "shape",
    "shop": "factor",
    "step": "verdict",
    "stock that suffices": "stock",
    "tells": "verdict",
    "cheapest before limits": "cost-optimal interval",
    "compared with": "contrast",
    "chance of being better": "probability better",
    "chance of failing": "probability",
    "cost per 1,000": "cost per 1,000 miles",
    "due at": "due",
    "due on": "due",
    "failures per million": "rate per million",
    "happened": "observed",
    "inside the range": "covered",
    "made as of": "as of",
    "observed to expected": "observed to expected ratio",
    "part": "component",
    "per 1,000 miles": "rate of wear",
    "run to failure, per 1,000": "run to failure",
    "share failing by then": "u",
    "today": "current interval",
    "table": "set aside",
    "file": "set aside",
    "line": "set aside",
    "column": "set aside",
    "reason": "set aside",
    "value": "set aside",
    "beta": "shape",
    "beta pooled": "pooled",
    "eta": "characteristic life",
    "eta pooled": "pooled",
    "b10 pooled": "pooled",
    "b10 life": "b10",
    "frailty": "spread between trucks",
    "frailty variance": "spread between trucks",
    "phi": "spread between trucks",
    "censored": "suspension",
    "censoring": "suspension",
    "right censored": "suspension",
    "delayed entry": "entered late",
    "left truncation": "entered late",
    "confidence interval": "interval of uncertainty",
    "interval": "interval of uncertainty",
    "low": "interval of uncertainty",
    "high": "interval of uncertainty",
    "lives": "life",
    "failures": "failure",
    "suspensions": "suspension",
    "classes": "duty cycle",
    "class": "duty cycle",
    "group": "stratum",
    "reference": "contrast",
    "recommended": "recommended interval",
    "cost optimal": "cost-optimal interval",
    "current": "current interval",
    "saving": "saving per truck-year",
    "practiced miles": "practised miles",
    "gap": "regrease gap",
    "gaps": "regrease gap",
    "regrease stop": "regrease",
    "regreasing": "regrease",
    "ratio": "observed to expected ratio",
    "p": "p value",
    "p adjusted": "adjusted p value",
    "false discovery rate": "q value",
    "found": "verdict",
    "suspected": "verdict",
    "nothing": "verdict",
    "strong": "evidence",
    "moderate": "evidence",
    "weak": "evidence",
    "none": "evidence",
    "evidence grade": "evidence",
    "unit": "truck",
    "unit id": "truck",
    "truck": "truck",
    "replace at": "replacement",
    "planned replacement": "replacement",
    "latest": "wear",
    "quantity": "wear",
    "rate": "rate of wear",
    "total": "forecast",
    "totals": "forecast",
    "parts": "forecast",
    "backtest": "back-test",
    "cost per 1000": "cost per 1,000 miles",
    "task": "due",
    "status": "due",
    "why": "due",
    "due miles": "due",
    "due date": "due",
    "one step": "limited by",
    "target": "limited by",
    "trucks": "truck",
    "rows set aside": "set aside",
    "rows loaded": "rows read",
    "rows already loaded": "already loaded",
    "aalen-johansen": "cumulative incidence",
    "km": "kaplan-meier",
    "median": "current interval",
    "cohort": "factor",
    "universal joint": "joint",
    "spline": "slip spline",
    "slip_spline": "slip spline",
    "centre bearing": "center bearing",
    "cautions": "caution",
    "text": "verdict",
}


def _key(term: str) -> str:
    return re.sub(r"[^a-z0-9]+", " ", term.lower()).strip()


_TERM_BY_KEY = {_key(name): text for name, text in TERMS.items()}
_MEANT_BY_KEY = {_key(name): _key(meant) for name, meant in ALIASES.items()}
_ENDINGS = {"low": "The lower end of the interval around this: ", "high": "The upper end of the interval around this: "}


def explain(term: str) -> str | None:
    """Return a term or column name explained in plain words, or None where the tool does not use it.

    Case, spaces, hyphens and underscores do not matter; nor does a unit after a comma. A column ending in ``_low`` or
    ``_high`` is the end of an interval.
    """
    if (text := _explain_key(_key(term))) is not None or "," not in term:
        return text
    return _explain_key(_key(term.rsplit(",", 1)[0]))


def _explain_key(key: str) -> str | None:
    if (text := _text_of(key)) is not None:
        return text
    stem, _, ending = key.rpartition(" ")
    text = _text_of(stem) if ending in _ENDINGS else None
    return None if text is None else _ENDINGS[ending] + text


def _text_of(key: str) -> str | None:
    return _TERM_BY_KEY.get(_MEANT_BY_KEY.get(key, key))
