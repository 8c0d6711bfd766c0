"""Do loggers and trap agree over the season? What no single pass can tell, many may.

Over the passes of a venue, trap figure - estimate = b v + d a + p s a / v, with v the speed and a the
acceleration at the trap, s +1 outbound and -1 on the return:

- b, a share: the trap's length, or a scale of the loggers;
- d, seconds: loggers that come late, or a timer that does;
- p, metres: the trap lies so much further along the line than the course says, or the positions do. It alone
  turns its sign with the direction.

Each pass counts by both uncertainties; sessions are clusters, as a day's errors are shared (`cluster_fit`).
With few sessions their scatter alone is a poor judge (claims in 6 to 7 of 100 clean seasons of 6 sessions), so
its variance is moderated by what the passes' own intervals say, weighted as degrees of freedom: Smyth,
"Linear models and empirical Bayes methods …", Stat. Appl. Genet. Mol. Biol. 3 (2004), eq. 3.5. Terms are
taken in one by one, the surest first, each at its share of one error probability (Holm, Scand. J. Stat. 6, 1979).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.logbook.cluster_fit import Fit, cluster_fit
from speedlog.logbook.figures import estimate, official
from speedlog.logbook.rows import PassRow
from speedlog.logbook.student import t_beyond, t_quantile
from speedlog.settings.season import SeasonSettings

Array = NDArray[np.float64]
TermName = Literal["scale", "lag", "place"]
_SETTINGS = SeasonSettings()
_K = 1.96  # half-width of a normal law's central 95 %


@dataclass(frozen=True)
class Value:
    """A value with its 95 % interval."""

    value: float
    low: float
    high: float

    def as_json(self) -> dict[str, Any]:
        return {"value": self.value, "interval95": [self.low, self.high]}


@dataclass(frozen=True)
class Term:
    """Something beyond chance. `value` is a share (scale), seconds (lag) or metres (place).

    `could_be`: other terms that would fit about as well in its stead.
    """

    name: TermName
    value: Value
    could_be: tuple[TermName, ...] = ()


@dataclass(frozen=True)
class Direction:
    """The passes of one direction: their mean difference, trap figure against estimate, as a share."""

    outbound: bool
    passes: int
    mean: Value | None  # None where fewer than two sessions hold any


@dataclass(frozen=True)
class Agreement:
    """What a season at one trap says of loggers and trap.

    Attributes:
        passes, sessions: how many counted.
        mean: trap figure against estimate, as a share; None with too few.
        directions: the same by direction.
        terms: what is beyond chance; none where all is within it.
        enough: False: too few to say anything.
        left_out: reason → passes not counted.
        speed_mps: the passes' mean speed.
    """

    venue: str
    trap_m: float
    passes: int
    sessions: int
    mean: Value | None
    directions: tuple[Direction, ...]
    terms: tuple[Term, ...]
    enough: bool
    left_out: dict[str, int]
    speed_mps: float

    def as_json(self) -> dict[str, Any]:
        return {
            "venue": self.venue,
            "trap_length_m": self.trap_m,
            "passes": self.passes,
            "sessions": self.sessions,
            "enough": self.enough,
            "mean_share": None if self.mean is None else self.mean.as_json(),
            "directions": [
                {"outbound": item.outbound, "passes": item.passes,
                 "mean_share": None if item.mean is None else item.mean.as_json()}
                for item in self.directions
            ],
            "beyond_chance": [
                {"term": item.name, **item.value.as_json(), "could_be": list(item.could_be)} for item in self.terms
            ],
            "left_out": self.left_out,
        }  # fmt: skip


@dataclass(frozen=True, eq=False)
class Season:
    """Passes as arrays (N,): difference y, its standard uncertainty u, v, a, s, and the session of each."""

    y: Array
    u: Array
    v: Array
    a: Array
    s: Array
    session: NDArray[np.int64]

    def column(self, name: TermName) -> Array:
        return {"scale": self.v, "lag": self.a, "place": self.s * self.a / self.v}[name]

    def only(self, keep: NDArray[np.bool_]) -> Season:
        return Season(
            self.y[keep], self.u[keep], self.v[keep], self.a[keep], self.s[keep], self.session[keep]
        )

    @property
    def sessions(self) -> int:
        return len(np.unique(self.session))


def agreements(rows: Sequence[PassRow], settings: SeasonSettings = _SETTINGS) -> tuple[Agreement, ...]:
    """One for each trap (a venue and a length) that has any pass with figure and estimate, as they first come."""
    groups: dict[tuple[str, float], list[PassRow]] = {}
    for row in rows:
        if row.result and row.result.trap_length_m and official(row) and estimate(row):
            length = round(row.result.trap_length_m / settings.same_length_m) * settings.same_length_m
            groups.setdefault((row.venue, round(length, 6)), []).append(row)
    return tuple(_agreement(venue, length, found, settings) for (venue, length), found in groups.items())


def _agreement(venue: str, trap_m: float, rows: list[PassRow], settings: SeasonSettings) -> Agreement:
    season, left_out = season_of(rows, settings)
    count, sessions = len(season.y), season.sessions
    enough = count >= settings.least_passes and sessions >= settings.least_sessions
    ways = [season.only(season.s == way) for way in (1.0, -1.0)]
    return Agreement(
        venue, trap_m, count, sessions,
        mean=_mean(season, settings) if enough else None,
        directions=tuple(_direction(way, enough, settings) for way in ways if len(way.y)),
        terms=terms(season, settings) if enough else (),
        enough=enough,
        left_out=left_out,
        speed_mps=float(np.mean(season.v)) if count else 0.0,
    )  # fmt: skip


def _direction(way: Season, enough: bool, settings: SeasonSettings) -> Direction:
    mean = _mean(way, settings) if enough and way.sessions > 1 else None
    return Direction(bool(way.s[0] > 0), len(way.y), mean)


def season_of(rows: Sequence[PassRow], settings: SeasonSettings) -> tuple[Season, dict[str, int]]:
    """The passes that can tell something as arrays, and how many were left out, by reason."""
    found: list[tuple[float, ...]] = []
    left_out: dict[str, int] = {}

    def leave(reason: str, number: int = 1) -> None:
        left_out[reason] = left_out.get(reason, 0) + number

    for row in rows:
        given, made, result = official(row), estimate(row), row.result
        assert given is not None and made is not None and result is not None
        if result.independent is not None and not result.independent:
            leave("helped to find the trap's place")
        elif given.half_mps is None or made.half_mps is None or result.trap_accel_mps2 is None:
            leave("uncertainty or acceleration unknown")
        elif result.outbound is None:
            leave("direction unknown")
        else:
            u = float(np.hypot(given.half_mps, made.half_mps)) / _K
            way = 1.0 if result.outbound else -1.0
            accel = result.trap_accel_mps2
            found.append((given.mps - made.mps, max(u, 1e-6), made.mps, accel, way, float(row.session_id)))
    table = np.array(found, dtype=float).reshape(-1, 6)
    y, u, v, a, s = table[:, :5].T
    season = Season(y, u, v, a, s, table[:, 5].astype(np.int64))
    if len(y):
        share = y / v
        near = np.asarray(np.abs(share - np.median(share)) <= settings.most_off, dtype=bool)
        if not near.all():
            leave(f"over {100 * settings.most_off:g} % off the rest", int((~near).sum()))
        season = season.only(near)
    return season, left_out


def terms(season: Season, settings: SeasonSettings = _SETTINGS) -> tuple[Term, ...]:
    """What is beyond chance, the surest first; their values are those of one fit of all of them."""
    names: list[TermName] = ["scale", "lag", "place"]
    worth = {
        "scale": settings.scale_share,
        "lag": (1 - settings.scale_share) / 2,
        "place": (1 - settings.scale_share) / 2,
    }
    chosen: list[TermName] = []
    could_be: dict[TermName, tuple[TermName, ...]] = {}
    while open_ := [name for name in names if name not in chosen and _told(season, name, chosen, settings)]:
        left = sum(worth[name] for name in names if name not in chosen)
        fits = {name: _fit(season, [*chosen, name]) for name in open_}
        p = {name: _p(fit, settings) * left / worth[name] for name, fit in fits.items()}
        surest = min(open_, key=lambda name: p[name])
        if p[surest] >= settings.claim_p:
            break
        # a term that the chosen ones all but imitate was never tried: it may be the cause as well
        same = [name for name in names if name not in chosen and name not in open_ and name != surest]
        near = [
            name
            for name in open_
            if name != surest and fits[name].chi2 <= fits[surest].chi2 + settings.as_well
        ]
        could_be[surest] = tuple(name for name in names if name in same or name in near)
        chosen.append(surest)
    if not chosen:
        return ()
    values = _values(_fit(season, chosen), settings)
    return tuple(Term(name, value, could_be[name]) for name, value in zip(chosen, values, strict=True))


def _told(season: Season, name: TermName, chosen: Sequence[TermName], settings: SeasonSettings) -> bool:
    """Whether a term has a share of its own beside the chosen ones."""
    column = season.column(name) / season.u
    whole = float(column @ column)
    if whole <= 0:
        return False
    if not chosen:
        return True
    others = np.column_stack([season.column(item) / season.u for item in chosen])
    own = column - others @ np.linalg.lstsq(others, column, rcond=None)[0]
    return float(own @ own) > settings.least_own * whole


def _fit(season: Season, names: Sequence[TermName]) -> Fit:
    return cluster_fit(
        np.column_stack([season.column(name) for name in names]), season.y, season.u, season.session
    )


def _se(fit: Fit, settings: SeasonSettings) -> Array:
    """(K,) the scatter of the sessions, moderated by what the passes' intervals say."""
    freedom, prior = fit.clusters - 1, settings.stated_weight
    variance = (prior * fit.stated_se**2 + freedom * fit.robust_se**2) / (prior + freedom)
    return np.asarray(np.sqrt(variance))


def _p(fit: Fit, settings: SeasonSettings) -> float:
    """Two-sided p of the last term."""
    return t_beyond(float(fit.beta[-1] / _se(fit, settings)[-1]), fit.clusters - 1 + settings.stated_weight)


def _values(fit: Fit, settings: SeasonSettings) -> list[Value]:
    reach = t_quantile(0.95, fit.clusters - 1 + settings.stated_weight) * _se(fit, settings)
    return [Value(float(b), float(b - r), float(b + r)) for b, r in zip(fit.beta, reach, strict=True)]


def _mean(season: Season, settings: SeasonSettings) -> Value:
    return _values(_fit(season, ["scale"]), settings)[0]
