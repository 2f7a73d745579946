"""One truck's meter in plain Python: which values can be right, and what it showed on any day."""

from dataclasses import dataclass
from datetime import date

CARRY = 60


@dataclass
class Track:
    """One truck's meter: the days with a right value (first and last of the day), joined over replaced meters."""

    days: list[tuple[date, float, float]]
    right: dict[tuple[date, float], float]

    def at(self, day: date) -> float | None:
        """Return the meter on a day: between two days in proportion, beyond the ends for up to 60 days."""
        before = [row for row in self.days if row[0] <= day]
        after = [row for row in self.days if row[0] >= day]
        if before and before[-1][0] == day:
            return before[-1][2]
        if before and after:
            (d0, _, v0), (d1, v1, _) = before[-1], after[0]
            return v0 + (v1 - v0) * (day - d0).days / (d1 - d0).days
        if before and (day - before[-1][0]).days <= CARRY:
            rate = self.recent_rate()
            return None if rate is None else before[-1][2] + rate * (day - before[-1][0]).days
        if after and (after[0][0] - day).days <= CARRY:
            rate = self.early_rate()
            return None if rate is None else max(after[0][1] - rate * (after[0][0] - day).days, 0.0)
        return None

    def recent_rate(self) -> float | None:
        if len(self.days) < 2:
            return None
        last = self.days[-1]
        within = [row for row in self.days[:-1] if (last[0] - row[0]).days <= 365] or [self.days[-2]]
        return (last[2] - within[0][2]) / (last[0] - within[0][0]).days

    def early_rate(self) -> float | None:
        if len(self.days) < 2:
            return None
        first = self.days[0]
        within = [row for row in self.days[1:] if (row[0] - first[0]).days <= 365] or [self.days[1]]
        return (within[-1][1] - first[1]) / (within[-1][0] - first[0]).days


def judge(values: list[tuple[date, float, bool, float]], limit: float) -> list[tuple[date, float, float | None]]:
    """Return (day, raw, joined or None): the heaviest chain of values that can all be right.

    ``values``: day, value, replaced flag, weight; sorted by day, flag, value.
    """
    agrees = lambda a, b: 0 <= b[1] - a[1] <= limit * max((b[0] - a[0]).days, 1)  # noqa: E731
    score: list[float] = []
    parent: list[int | None] = []
    for j, b in enumerate(values):
        best, chosen = 0.0, None
        for i, a in enumerate(values[:j]):
            flagged = any(v[2] for v in values[i + 1 : j + 1])
            if agrees(a, b) or flagged:
                gain = score[i]
            elif b[1] < a[1]:
                gain = score[i] - 2.5
            else:
                continue
            if gain > best:
                best, chosen = gain, i
        score.append(b[3] + best)
        parent.append(chosen)
    at: int | None = score.index(max(score)) if score else None
    chain = []
    while at is not None:
        chain.append(at)
        at = parent[at]
    chain.reverse()
    joined: dict[int, float] = {}
    offset = 0.0
    for n, j in enumerate(chain):
        if n and not agrees(values[chain[n - 1]], values[j]):
            last = values[chain[n - 1]]
            rate = _rate([(values[i][0], joined[i]) for i in chain[:n]])
            if rate is None:
                rate = _rate([(values[j][0] - (values[i][0] - values[j][0]), -values[i][1]) for i in chain[n:]][::-1])
            offset = joined[chain[n - 1]] + max(rate or 0.0, 0.0) * (values[j][0] - last[0]).days - values[j][1]
        joined[j] = values[j][1] + offset
    return [(v[0], v[1], joined.get(i)) for i, v in enumerate(values)]


def _rate(track: list[tuple[date, float]]) -> float | None:
    last = track[-1]
    earlier = [row for row in track if row[0] < last[0]]
    if not earlier:
        return None
    first = next((row for row in earlier if (last[0] - row[0]).days <= 365), earlier[-1])
    return (last[1] - first[1]) / (last[0] - first[0]).days


def rank(value: tuple[date, float, bool, float], all_values: list[tuple[date, float, bool, float]]) -> int:
    """Return 0 for the old meter's values of a day, 1 for the reading that says so, 2 for the new one's."""
    if value[2]:
        return 1
    said = [v[1] for v in all_values if v[0] == value[0] and v[2]]
    earlier = [v[0] for v in all_values if v[0] < value[0]]
    if not said or not earlier:
        return 0
    old = max(v[1] for v in all_values if v[0] == max(earlier))
    return 2 if min(said) <= value[1] < old else 0


def make_track(values: list[tuple[date, float, bool, float]], limit: float, *, new_meters_too: bool = False) -> Track:
    heaviest: dict[tuple[date, bool, float], float] = {}
    for day, value, flag, weight in values:
        heaviest[day, flag, value] = max(weight, heaviest.get((day, flag, value), 0.0))
    ordered = sorted((d, v, f, w) for (d, f, v), w in heaviest.items())
    ordered.sort(key=lambda v: (v[0], rank(v, ordered) if new_meters_too else v[2], v[1]))
    judged = judge(ordered, limit)
    days: dict[date, list[float]] = {}
    right: dict[tuple[date, float], float] = {}
    for (day, raw, joined), (_, _, flag, _) in zip(judged, ordered, strict=True):
        if joined is not None:
            days.setdefault(day, []).append(joined)
            if not flag:
                right[day, raw] = joined
    return Track([(d, min(v), max(v)) for d, v in sorted(days.items())], right)
