"""The pipeline over a session, a pass at a time."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any

from speedlog.errors import SpeedlogError, plain
from speedlog.results import Review
from speedlog.session.day import ReviewedPass, Session, SessionPass, SessionReview
from speedlog.session.table import parse_trap
from speedlog.units import Quantity


def review_session(
    session: Session,
    *,
    unit: str | None = None,
    run: Callable[..., Review] | None = None,
    begin: Callable[[SessionPass], None] | None = None,
) -> SessionReview:
    """Review a session, a pass at a time; a pass that fails keeps its one line and stops nothing.

    Passes that name a log in common (one logger left on all day) take the drives found in it in turn.

    Args:
        unit: of the speeds in sentences; each trap figure's own if None (a time: that of the others).
        run: the pipeline, `speedlog.review` if None.
        begin: told before each pass, for a progress display.
    """
    if run is None:
        from speedlog.pipeline import Memory, review

        run = partial(review, memory=Memory())
    found = []
    for item in session.passes:
        if begin is not None:
            begin(item)
        try:
            found.append(_review_pass(session, item, unit, run))
        except SpeedlogError as error:
            found.append(ReviewedPass(item, None, error=str(error)))
    return SessionReview(session, tuple(found))


def _review_pass(
    session: Session, item: SessionPass, unit: str | None, run: Callable[..., Review]
) -> ReviewedPass:
    if not item.logs:
        return ReviewedPass(item, None, error="No log was kept of this pass.")
    sharers = [other for other in session.passes if set(other.logs) & set(item.logs)]
    options = _options(item) | {"unit": unit or _borrowed_unit(session, item)}
    names = ", ".join(plain(path.name, 60) for path in item.logs)
    if len(sharers) == 1:
        review = run(list(item.logs), course=session.course, trap=item.trap, **options)
        if not review.passes:
            raise SpeedlogError(f"pass {item.number}: no drive at speed was found in {names}")
        return ReviewedPass(item, review, review.passes)
    place = sharers.index(item) + 1
    trap = {place: item.trap} if item.trap else None
    review = run(list(item.logs), course=session.course, trap=trap, only=place, **options)
    if review.drives_found != len(sharers):
        raise SpeedlogError(
            f"pass {item.number}: {names} holds {review.drives_found} drives at speed, "
            f"but {len(sharers)} passes name it",
            todo="Name each drive as a pass of its own.",
        )
    return ReviewedPass(item, review, review.passes)


def _borrowed_unit(session: Session, item: SessionPass) -> str | None:
    """For a pass whose figure is a time, or that has none: the unit of the session's other figures."""
    if item.trap and parse_trap(item.trap).unit.kind == "speed":
        return None
    given = [found.unit for other in session.passes if other.trap and (found := parse_trap(other.trap))]
    return next((unit.symbol for unit in given if unit.kind == "speed"), None)


def _options(item: SessionPass) -> dict[str, Any]:
    """What of a pass goes into the pipeline besides its logs and its figure."""
    wheel, wind = item.setup.get("wheel_diameter"), item.weather.wind
    return {
        "wind": wind.text if wind else None,
        "wheel_diameter": wheel.text if isinstance(wheel, Quantity) else None,
        "gear_ratio": item.setup.get("gear_ratio"),
        "pole_pairs": item.setup.get("pole_pairs"),
        "columns": item.columns,
    }
