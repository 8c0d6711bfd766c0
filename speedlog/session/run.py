"""The pipeline over a session, a pass at a time."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from speedlog.errors import SpeedlogError, plain
from speedlog.results import Review
from speedlog.session.day import ReviewedPass, Session, SessionPass, SessionReview
from speedlog.units import Quantity


def review_session(
    session: Session,
    *,
    run: Callable[..., Review] | None = None,
    begin: Callable[[SessionPass], None] | None = None,
) -> SessionReview:
    """Review a session, a pass at a time; a pass that fails keeps its one line and stops nothing.

    Passes that name the same logs (one log of the whole day) take the drives found in them in turn.

    Args:
        run: the pipeline, `speedlog.review` if None.
        begin: told before each pass, for a progress display.
    """
    if run is None:
        from speedlog.pipeline import review

        run = review
    done: dict[tuple[object, ...], Review] = {}
    found = []
    for item in session.passes:
        if begin is not None:
            begin(item)
        try:
            found.append(_review_pass(session, item, run, done))
        except SpeedlogError as error:
            found.append(ReviewedPass(item, None, error=str(error)))
    return SessionReview(session, tuple(found))


def _review_pass(
    session: Session, item: SessionPass, run: Callable[..., Review], done: dict[tuple[object, ...], Review]
) -> ReviewedPass:
    if not item.logs:
        return ReviewedPass(item, None, error="No log was kept of this pass.")
    sharers = [other for other in session.passes if other.logs == item.logs]
    options = _options(item)
    key = (item.logs, *options.values())
    if key not in done:
        alike = [other for other in sharers if tuple(_options(other).values()) == tuple(options.values())]
        figures = {sharers.index(other) + 1: other.trap for other in alike if other.trap}
        trap = (figures or None) if len(sharers) > 1 else item.trap
        done[key] = run(list(item.logs), course=session.course, trap=trap, **options)
    review = done[key]
    names = ", ".join(plain(path.name, 60) for path in item.logs)
    if not review.passes:
        raise SpeedlogError(f"pass {item.number}: no drive at speed was found in {names}")
    if len(sharers) == 1:
        return ReviewedPass(item, review, review.passes)
    if len(review.passes) != len(sharers):
        raise SpeedlogError(
            f"pass {item.number}: {names} holds {len(review.passes)} drives at speed, "
            f"but {len(sharers)} passes name it",
            todo="Name each drive as a pass of its own.",
        )
    return ReviewedPass(item, review, (review.passes[sharers.index(item)],))


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
