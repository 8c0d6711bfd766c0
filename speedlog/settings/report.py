"""Settings of the pages."""

from __future__ import annotations

from dataclasses import dataclass

from speedlog.settings.row import setting


@dataclass(frozen=True)
class ReportSettings:
    """Drawing and wording the page (`speedlog.report`)."""

    level_mps2: float = setting(
        0.3, "m/s²", "smaller than what a slope of 3 % or a gust does; below it the speed counts as level"
    )
    zoom_m: float = setting(40.0, "m", "shown on each side of the trap: a second or less at these speeds")
    most_points: int = setting(600, "points a curve", "a pass at 25 Hz has about as many; a curve has fewer pixels")
    label_gap: float = setting(0.2, "share of the chart", "labels of faults nearer to each other would overlap")
    strip_room: float = setting(0.0195, "share of the chart a character", "names of limits take this much of it at 360 pixels")
    panel_points: int = setting(120, "points a curve", "of a small chart: it is 220 pixels wide")
    still_points: int = setting(120, "points a curve", "of a chart as it stands before it is drawn anew: 600 pixels wide")
