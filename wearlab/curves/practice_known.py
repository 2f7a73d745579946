"""What was known of a truck's practice and when: steps of knowledge, phases of practice, and what was borne before.

Practice is measured over few gaps, so what is known of it moves by chance as further gaps complete. The likelihood of a
truck's record is therefore a product over steps, each conditional on what was known when it began (a prequential
likelihood: Dawid, *JRSS A* 147, 1984): within a step the practice known at its start holds, and what the truck's
parts have borne before, in the same phase of practice, is reckoned at that practice too. Taking the chance moves of the
recorded practice within a truck as real would draw its effect toward nil, for the truck's own factor remembers.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

MOVED = 0.02  # practice is held until what is known of it has moved by this (natural logarithm)
CLEARLY = 3.0  # standard errors by which two means of gaps must differ for a new phase (Shewhart's limits, 1931)
LEAST_SCATTER = 0.02  # of a gap, natural logarithm


@dataclass(frozen=True, slots=True)
class Before:
    """What was borne before a step: from one age to another, at the practice and terms of ``row``, one per item."""

    row: Ints  # the stretch whose terms stand for it
    step: Ints  # the step before which it was borne
    start: Floats  # ages
    end: Floats


def hold_known(rows: pd.DataFrame, apart: tuple[str, ...]) -> pd.DataFrame:
    """Return the stretches with practice held from step to step, joined where nothing changed.

    ``rows`` are sorted by truck, life and age. Adds ``step`` and ``phase``, numbered over the fleet in the order of
    trucks and time. A step ends when the practice known has moved by 2 %; a phase when the truck's duty cycle changes,
    when its practice begins anew (a new plan), or when the mean of its last five gaps differs from the first such mean
    of the phase by three standard errors. Stretches of a life in one step are joined where they meet and the columns
    named in ``apart`` are the same.
    """
    states, state_of = _list_states(rows)
    step, phase, held = _cut_steps(states)
    rows = rows.assign(step=step[state_of], phase=phase[state_of], practised_miles=held[state_of])
    same = (rows["life_id"] == rows["life_id"].shift()) & (rows["step"] == rows["step"].shift())
    same &= rows["entry"] == rows["exit"].shift()
    for name in apart:
        column = rows[name]
        same &= (column == column.shift()) | (column.isna() & column.shift().isna())
    block = (~same).cumsum()
    joined = rows[~block.duplicated()].reset_index(drop=True)
    last = rows[~block.duplicated(keep="last")]
    for name in ("exit", "failed", "lower", "upper"):
        joined[name] = last[name].to_numpy()
    return joined


def _list_states(rows: pd.DataFrame) -> tuple[pd.DataFrame, Ints]:
    """Return what was known of each truck's practice, in order of time, and the place of each row's among them."""
    names = [name for name in ("practised_miles", "raw_practised_miles", "gaps_behind") if name in rows]
    table = rows[names].astype(float)
    table.insert(0, "duty", pd.factorize(rows["duty_cycle"])[0])
    table.insert(0, "unit", pd.factorize(rows["unit_id"])[0])
    began = pd.to_datetime(rows["entry_date"]).to_numpy() if "entry_date" in rows else np.zeros(len(rows))
    order = np.lexsort([began, *(table[name].to_numpy() for name in reversed(table.columns))])
    known = table.to_numpy(dtype=float)[order]
    new = np.ones(len(rows), dtype=bool)
    new[1:] = ((known[1:] != known[:-1]) & ~(np.isnan(known[1:]) & np.isnan(known[:-1]))).any(axis=1)
    number = np.empty(len(rows), dtype=np.int64)
    number[order] = np.cumsum(new) - 1
    states = table.iloc[order[new]].assign(began=began[order[new]]).reset_index(drop=True)
    by_time = [states[name].to_numpy() for name in ("gaps_behind", "began", "unit") if name in states]
    place = np.lexsort(by_time)
    rank = np.empty(len(states), dtype=np.int64)
    rank[place] = np.arange(len(states))
    return states.iloc[place].reset_index(drop=True), rank[number]


def _cut_steps(states: pd.DataFrame) -> tuple[Ints, Ints, Floats]:
    """Return the step and the phase of each state, and the practice that holds in it."""
    unit, duty = states["unit"].to_numpy(), states["duty"].to_numpy()
    known = states["practised_miles"].to_numpy(dtype=float)
    has_gaps = {"raw_practised_miles", "gaps_behind"} <= set(states)
    behind = states["gaps_behind"].to_numpy(dtype=float) if has_gaps else np.zeros(len(states))
    raw = np.log(states["raw_practised_miles"].to_numpy(dtype=float)) if has_gaps else np.full(len(states), np.nan)
    scatter = _scatter(raw, behind, unit, duty)
    turns = np.ones(len(states), dtype=bool)
    turns[1:] = (unit[1:] != unit[:-1]) | (duty[1:] != duty[:-1]) | (behind[1:] < behind[:-1])
    with np.errstate(divide="ignore"):
        weight = np.where(behind > 0, scatter[duty] ** 2 / behind, np.inf)  # of a mean of so many gaps
    phase = np.cumsum(_mark_phases(turns.tolist(), raw.tolist(), weight.tolist())) - 1
    opens = np.ones(len(states), dtype=bool)
    opens[1:] = phase[1:] != phase[:-1]
    moved = np.array(_mark_moves(opens.tolist(), np.log(known).tolist()), dtype=bool)
    step = np.cumsum(moved) - 1
    return step, phase, known[np.flatnonzero(moved)][step]


def _mark_phases(turns: list[bool], raw: list[float], weight: list[float]) -> list[bool]:
    """Return which states open a phase; the first mean of most gaps in a phase is what later ones are held against."""
    opens, anchor, doubt = [], 0.0, float("inf")
    for turn, mean, error in zip(turns, raw, weight, strict=True):
        new = turn or abs(mean - anchor) > CLEARLY * (doubt + error) ** 0.5
        if new or error < doubt:
            anchor, doubt = mean, error
        opens.append(new)
    return opens


def _mark_moves(opens: list[bool], logs: list[float]) -> list[bool]:
    """Return which states open a step: those that open a phase, and those whose practice has moved enough."""
    moved, held = [], 0.0
    for new, known in zip(opens, logs, strict=True):
        moves = new or abs(known - held) > MOVED
        held = known if moves else held
        moved.append(moves)
    return moved


def _scatter(raw: Floats, behind: Floats, unit: Ints, duty: Ints) -> Floats:
    """Return the standard deviation of the logarithm of a gap by class, from moves of the mean of five.

    The mean of five moves by a fifth of what one gap differs from another; their median is taken, so that a few real
    changes of practice do not count as scatter.
    """
    same = (unit[1:] == unit[:-1]) & (duty[1:] == duty[:-1]) & (behind[1:] == behind[:-1]) & (behind[1:] > 1)
    move = np.abs(np.diff(raw))[same] * behind[1:][same]
    of = duty[1:][same]
    result = np.full(int(duty.max(initial=0)) + 1, LEAST_SCATTER)
    for c in np.unique(of):
        result[c] = max(float(np.median(move[of == c])) / 0.6745 / np.sqrt(2), LEAST_SCATTER)
    return result


def list_before(rows: pd.DataFrame, truck: Ints) -> Before:
    """Return what each truck's parts had borne before each of its steps.

    One item for each life, phase and step: the ages that the life had run through in that phase before the step. A part
    that came into view at an age ran through it in the phase in which it was first seen. An item of the step's own
    phase is reckoned at the practice known in that step, one of an earlier phase at the last practice known in it.
    """
    life, step, phase = (rows[name].to_numpy() for name in ("life_id", "step", "phase"))
    entry, leave = rows["entry"].to_numpy(dtype=float), _ended(rows)
    first_of_life = np.ones(len(rows), dtype=bool)
    first_of_life[1:] = life[1:] != life[:-1]
    begin = np.where(first_of_life, 0.0, np.concatenate([[0.0], rows["exit"].to_numpy(dtype=float)[:-1]]))
    first = first_of_life.copy()
    first[1:] |= phase[1:] != phase[:-1]
    group = np.cumsum(first) - 1
    head = np.flatnonzero(first)
    last_step = np.zeros(int(truck.max()) + 1, dtype=np.int64)
    np.maximum.at(last_step, truck, step)
    many = last_step[truck[head]] - step[head] + 1
    pair = np.repeat(np.arange(len(head)), many)
    at = step[head][pair] + np.arange(len(pair)) - np.repeat(np.cumsum(many) - many, many)
    present = np.zeros(int(step.max()) + 1, dtype=bool)
    present[step] = True
    pair, at = pair[present[at]], at[present[at]]
    wide = int(step.max()) + 2
    key = group * wide + step
    found = np.searchsorted(key, pair * wide + at, side="left")  # the life's first stretch in the step, else its next
    here = key[np.minimum(found, len(key) - 1)] == pair * wide + at
    end = np.where(here, entry[np.minimum(found, len(key) - 1)], leave[found - 1])
    start = begin[head][pair]
    keep = end > start
    pair, at, start, end = pair[keep], at[keep], start[keep], end[keep]
    return Before(_stand_in(rows, phase, head[pair], at), at, start, end)


def _ended(rows: pd.DataFrame) -> Floats:
    """Return where each stretch ended; for a failure found at inspection the middle of where it may have been."""
    leave, entry = rows["exit"].to_numpy(dtype=float), rows["entry"].to_numpy(dtype=float)
    lower, upper = rows["lower"].to_numpy(dtype=float), rows["upper"].to_numpy(dtype=float)
    found = rows["failed"].to_numpy(dtype=bool) & np.isfinite(lower) & np.isfinite(upper)
    return np.where(found, (np.maximum(lower, entry) + upper) / 2, leave)


def _stand_in(rows: pd.DataFrame, phase: Ints, head: Ints, at: Ints) -> Ints:
    """Return the row whose terms hold for what the life of ``head`` bore before the step: its position's, else any."""
    step = rows["step"].to_numpy()
    phase_of = np.zeros(int(step.max()) + 1, dtype=np.int64)
    phase_of[step] = phase
    last = np.zeros(int(phase.max()) + 1, dtype=np.int64)
    np.maximum.at(last, phase, step)
    where = np.where(phase_of[at] == phase[head], at, last[phase[head]])
    position = pd.factorize(rows["position"])[0] if "position" in rows else np.zeros(len(rows), dtype=np.int64)
    wide = int(position.max()) + 1
    key = step * wide + position
    order = np.argsort(key, kind="stable")
    wanted = where * wide + position[head]
    spot = np.minimum(np.searchsorted(key[order], wanted), len(order) - 1)
    own = key[order][spot] == wanted
    any_row = np.searchsorted(key[order], where * wide)
    return np.asarray(np.where(own, order[spot], order[np.minimum(any_row, len(order) - 1)]), dtype=np.int64)


def count_before(rows: pd.DataFrame, truck: Ints, renewals: Floats) -> Floats:
    """Return by step what earlier failures and ``renewals`` (a power of the truck's factor, by row) tell of the truck.

    A failure counts in every later step of its truck, a renewal before the record as soon as its part is in view.
    """
    step = rows["step"].to_numpy()
    many = int(step.max()) + 1
    failed = np.bincount(step, rows["failed"].to_numpy(dtype=float), many)
    seen = np.bincount(step, renewals, many)
    total = np.cumsum(failed) - failed + np.cumsum(seen)
    first = np.full(int(truck.max()) + 1, many, dtype=np.int64)
    np.minimum.at(first, truck, step)
    of = np.zeros(many, dtype=np.int64)
    of[step] = first[truck]
    base = (np.cumsum(failed) - failed + np.cumsum(seen) - seen)[of]
    return np.asarray(total - base, dtype=float)
