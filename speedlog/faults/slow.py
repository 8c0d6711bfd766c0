"""Wrong speeds and places of a log of few epochs a second: the whole log is explained at once.

What may have happened is put together piece by piece: a corner of the drive in some interval (launch, lift,
brakes), a run of wrong speeds or wrong places, places that jump and stay. Each piece must make the log
likelier by more than such a piece is rare; each is looked at again when others are known. A run is told
only where the best account without it, with corners of its own, is less likely by far.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from speedlog.faults.judged import BOTH
from speedlog.faults.likelihood import What
from speedlog.faults.spans import runs
from speedlog.faults.whole import Guess, Weights, Whole
from speedlog.settings import FaultSettings

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Form = Literal["speed", "speeds", "place", "places", "both", "jump"]
_FORMS: tuple[Form, ...] = ("speed", "speeds", "place", "places", "both", "jump")
_MOST_PIECES = 16
_LOOKED_AT = 6  # of the intervals and runs that promise most, those weighed
_ROUNDS = 3
_USUAL = Guess(speed_mps=0.1, place_m=0.1, wander_m2_s=0.1, jerk_m2_s5=5.0, lag_s=0.0)
_STARTS = (0.05, 0.2)  # of the speed's noise, m/s
_ENOUGH = 1e-6


@dataclass(frozen=True)
class Piece:
    """A run of rows with errors: one and the same, each its own, or a jump of all places from a row on."""

    form: Form
    first: int
    count: int

    @property
    def rows(self) -> range:
        return range(self.first, self.first + self.count)


@dataclass(frozen=True, eq=False)
class Account:
    """One explanation of a log, and how likely that makes it (log, up to a constant)."""

    guess: Guess
    rough: dict[int, float]
    pieces: tuple[Piece, ...]
    score: float


class Search:
    """The likeliest account of a log."""

    def __init__(
        self, time_s: Array, speed: Array, place: Array, able: Flags, settings: FaultSettings
    ) -> None:
        self.whole, self.settings = Whole(time_s, speed, place, settings), settings
        self.rows = len(time_s)
        self.at: dict[What, Array] = {of: np.full(self.rows, -1) for of in BOTH}
        self.at["speed"][self.whole.speed_row] = np.arange(len(self.whole.speed_row))
        self.at["place"][self.whole.place_row] = len(self.whole.speed_row) + np.arange(
            len(self.whole.place_row)
        )
        self._columns: dict[Piece, Array] = {}
        self.groups = [group for form in _FORMS for group in self._groups(form, able)]
        self.able = {piece for pieces, _ in self.groups for piece in pieces}

    def _groups(self, form: Form, able: Flags) -> Iterable[tuple[list[Piece], Array]]:
        """Every piece of this form that may be, those of one length together: (M, D, R) columns."""
        longest = 1 if form == "jump" else self.settings.slow_longest
        ofs: tuple[What, ...] = (
            BOTH if form == "both" else ("speed",) if form in ("speed", "speeds") else ("place",)
        )
        fit = np.all([self.at[of] >= 0 for of in ofs], axis=0) & (able | ("speed" not in ofs))
        for count in range(2 if form in ("speeds", "places") else 1, longest + 1):
            starts = range(1, self.rows - count)
            pieces = [Piece(form, first, count) for first in starts if fit[first : first + count].all()]
            if pieces:
                yield pieces, np.stack([self.columns(piece) for piece in pieces])

    def columns(self, piece: Piece) -> Array:
        """(D, R) in units of one sd of each error."""
        if piece not in self._columns:
            size: dict[What, float] = {
                "speed": self.settings.outlier_size_mps,
                "place": self.settings.outlier_size_m,
            }
            form, count = piece.form, len(self.whole.values)
            found = []
            if form == "jump":
                later = np.flatnonzero(self.whole.is_place)[self.whole.place_row >= piece.first]
                found.append(np.zeros((count, 1)))
                found[0][later, 0] = size["place"]
            for of in BOTH:
                if form in (of, of + "s", "both"):
                    each = np.zeros((count, piece.count))
                    each[self.at[of][list(piece.rows)], np.arange(piece.count)] = size[of]
                    found.append(each if form == of + "s" else each.sum(axis=1, keepdims=True))
            self._columns[piece] = np.hstack(found)
        return self._columns[piece]

    def errors(self, pieces: Sequence[Piece]) -> Array:
        """(D, R) of them all."""
        return np.hstack([np.zeros((len(self.whole.values), 0)), *map(self.columns, pieces)])

    def account(self, guess: Guess, rough: dict[int, float], pieces: Sequence[Piece]) -> Account:
        weights = self.whole.weights(guess, rough)
        gain = float(weights.gain(self.errors(pieces)[None])[0][0]) if pieces else 0.0
        prior = -self.settings.slow_corner * len(rough) - sum(map(self._rare, pieces)) - self._odd(guess)
        return Account(guess, rough, tuple(pieces), weights.evidence + gain + prior)

    def weights(self, account: Account) -> Weights:
        """All of an account's, its pieces known."""
        weights = self.whole.weights(account.guess, account.rough)
        return weights.with_errors(self.errors(account.pieces), self.whole.values)

    def _rare(self, piece: Piece) -> float:
        return self.settings.slow_jump if piece.form == "jump" else self.settings.outlier_log_odds

    def _odd(self, guess: Guess) -> float:
        """A late speed is less usual than one in time."""
        return self.settings.slow_lagging if guess.lag_s > 0 else 0.0

    def best(self) -> Account:
        """Explained with usual noise, then with the noise that suits that, then from there again.

        Much noise hides runs that would show it to be less, and a lag is guessed wrong beside wrong speeds:
        so the search starts from several guesses.
        """
        late = self._guessed(self.account(_USUAL, {}, ())).guess.lag_s
        first = replace(_USUAL, speed_mps=_STARTS[0], lag_s=late)
        found = self._settled(first)
        if not found.pieces and found.guess.speed_mps < _STARTS[1]:
            return found  # a clean log, as most are
        starts = [replace(first, speed_mps=noise, lag_s=lag) for noise in _STARTS for lag in {0.0, late}]
        others = (self._settled(start) for start in starts if start != first)
        return max([found, *others], key=lambda item: item.score)

    def _settled(self, guess: Guess) -> Account:
        found = self._explained(self.account(guess, {}, ()))
        for _ in range(_ROUNDS):
            better = self._explained(self._guessed(found))
            if better.score <= found.score + _ENOUGH:
                break
            found = better
        return found

    def _options(self) -> dict[str, tuple[float, ...]]:
        settings = self.settings
        return {
            "speed_mps": settings.slow_speed_mps,
            "place_m": settings.slow_place_m,
            "wander_m2_s": settings.slow_wander_m2_s,
            "jerk_m2_s5": settings.slow_jerk_m2_s5,
            "lag_s": settings.slow_lag_s,
        }

    def _guessed(self, account: Account) -> Account:
        """The noise, lag and smoothness that suit an account best, one after the other."""
        for _ in range(_ROUNDS):
            before = account.score
            for name, values in self._options().items():
                account = self._climbed(account, name, values)
            if account.score <= before + _ENOUGH:
                break
        return account

    def _climbed(self, account: Account, name: str, values: Sequence[float]) -> Account:
        """One of the guesses moved up or down its values as long as that helps."""
        for way in (1, -1):
            while True:
                own = float(getattr(account.guess, name))
                at = min(range(len(values)), key=lambda k: abs(values[k] - own)) + way
                if not 0 <= at < len(values):
                    break
                guess = replace(account.guess, **{name: values[at]})
                other = self.account(guess, account.rough, account.pieces)
                if other.score <= account.score:
                    break
                account = other
        return account

    def _explained(self, account: Account, *, errors: bool = True) -> Account:
        """Pieces and corners put in and taken out as long as that makes the log likelier."""
        for _ in range(_MOST_PIECES):
            better = self._cleared(self._with_one(account, errors=errors))
            if better.score <= account.score + _ENOUGH:
                break
            account = better
        return account

    def _with_one(self, account: Account, *, errors: bool) -> Account:
        """The account with the one corner or run that helps most; itself where nothing does."""
        tried, weights = [account], self.weights(account)
        for interval in self._restless(account, weights):
            for density in self.settings.slow_corner_m2_s5:
                rough = account.rough | {interval: density}
                tried.append(self.account(account.guess, rough, account.pieces))
        if errors:
            for piece in self._promising(account, weights):
                other = self.account(account.guess, account.rough, (*account.pieces, piece))
                tried.append(self._cleared(other))
            tried += self._changed(account)
        return max(tried, key=lambda item: item.score)

    def _promising(self, account: Account, weights: Weights) -> list[Piece]:
        """The runs that gain most as the account stands."""
        taken = {(piece.form == "jump", row) for piece in account.pieces for row in piece.rows}
        found: list[tuple[float, Piece]] = []
        for pieces, columns in self.groups:
            gains = weights.gain(columns)[0] - self._rare(pieces[0])
            for k in np.argsort(-gains)[:_LOOKED_AT]:
                if not any((pieces[k].form == "jump", row) in taken for row in pieces[k].rows):
                    found.append((float(gains[k]), pieces[k]))
        return [piece for _, piece in sorted(found, key=lambda item: -item[0])[:_LOOKED_AT]]

    def _restless(self, account: Account, weights: Weights) -> list[int]:
        """The intervals whose jerk speaks loudest for a higher density: its force against what is expected."""
        driven = self.whole.driven(account.guess.lag_s)
        found = (driven @ weights.pull) @ weights.pull
        expected = driven.reshape(len(driven), -1) @ weights.inverse.ravel()
        return [int(k) for k in np.argsort(expected - found)[:_LOOKED_AT] if found[k] > expected[k]]

    def _changed(self, account: Account) -> list[Account]:
        """The account with one of its pieces of another form, or a row longer, shorter or on."""
        found = []
        for k, piece in enumerate(account.pieces):
            others = [*account.pieces[:k], *account.pieces[k + 1 :]]
            taken = {(item.form == "jump", row) for item in others for row in item.rows}
            forms = [Piece(form, piece.first, piece.count) for form in _FORMS if form != "jump"]
            moves = [(0, 1), (0, -1), (-1, 1), (1, -1), (-1, 0), (1, 0)]
            forms += [Piece(piece.form, piece.first + on, piece.count + more) for on, more in moves]
            for other in forms:
                clear = not any((other.form == "jump", row) in taken for row in other.rows)
                if other != piece and other in self.able and clear:
                    found.append(self.account(account.guess, account.rough, [*others, other]))
        return found

    def _cleared(self, account: Account) -> Account:
        """Without the corners and pieces that nothing asks for."""
        while True:
            fewer = [
                self.account(
                    account.guess, {k: v for k, v in account.rough.items() if k != out}, account.pieces
                )
                for out in account.rough
            ]
            fewer += [
                self.account(
                    account.guess, account.rough, [piece for piece in account.pieces if piece is not out]
                )
                for out in account.pieces
            ]
            best = max(fewer, key=lambda item: item.score, default=account)
            if best.score <= account.score:
                return account
            account = best

    def odds(self, account: Account, piece: Piece) -> float:
        """Log odds of a piece against the best account of the log without it."""
        others = [item for item in account.pieces if item is not piece]
        without = self._explained(self.account(account.guess, account.rough, others), errors=False)
        return account.score + self._rare(piece) - without.score

    def large(self, account: Account, piece: Piece, of: What) -> list[int]:
        """The rows of a piece whose error is worth a word; of a common error, all or none."""
        others = [item for item in account.pieces if item is not piece]
        weights = self.weights(self.account(account.guess, account.rough, others))
        columns = self.columns(piece)
        own = np.flatnonzero((columns != 0)[self.whole.is_place == (of == "place")].any(axis=0))
        size = np.abs(weights.gain(columns[None])[1][0][own]) * columns[:, own].max()
        least = self.settings.outlier_speed_mps if of == "speed" else self.settings.outlier_place_m
        rows = list(piece.rows)
        return [row for k, row in enumerate(rows) if size[k if len(size) > 1 else 0] > least]


def wrong_rows(
    time_s: Array, speed: Array, place: Array, able: Flags, longest: int, settings: FaultSettings
) -> dict[What, Flags]:
    """(N,) which speeds and which places are wrong.

    Args:
        time_s, speed, place: (N,) s, m/s, m in the sense of travel; NaN where not known.
        able: (N,) rows whose speed may be called wrong.
        longest: rows of a run.
    """
    wrong: dict[What, Flags] = {of: np.zeros(len(time_s), dtype=bool) for of in BOTH}
    row = np.flatnonzero(np.isfinite(speed) | np.isfinite(place))
    if len(row) < settings.slow_least_rows:
        return wrong
    search = Search(time_s[row], speed[row], place[row], able[row], settings)
    account = search.best()
    for piece in account.pieces:
        if piece.form == "jump" or search.odds(account, piece) < settings.outlier_log_odds:
            continue
        for of in BOTH:
            if piece.form in (of, of + "s", "both"):
                wrong[of][row[search.large(account, piece, of)]] = True
    for of in BOTH:
        for first, last in runs(wrong[of]):
            if last - first >= longest:
                wrong[of][first : last + 1] = False
    return wrong
