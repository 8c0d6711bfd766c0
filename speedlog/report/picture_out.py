"""The share picture as SVG (text) and as PNG.

PNG is drawn by Pillow: it comes as a small wheel for every system that the program runs on, needs no other
library, no browser and no graphics system, and has been kept well for many years. Lines are drawn three times
as large and then made smaller, as Pillow draws edges without blending; text it blends by itself.
"""

from __future__ import annotations

import io
import unicodedata
from collections.abc import Sequence
from functools import cache
from typing import TYPE_CHECKING, Any

from markupsafe import Markup

from speedlog.errors import SpeedlogError
from speedlog.report.picture import HEIGHT, PAPER, WIDTH, Fill, Shape, Stroke, Text

if TYPE_CHECKING:
    from PIL.ImageDraw import ImageDraw

_FAMILY = "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', Arial, Helvetica, sans-serif"
_EM = 0.64  # of the size: no common sans serif is wider a letter on average, not even bold
_LARGER = 3  # as which lines are drawn
# regular and bold; the first that the system has is taken
_FONTS = (
    ("segoeui.ttf", "segoeuib.ttf"), ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"),
    ("NotoSans-Regular.ttf", "NotoSans-Bold.ttf"), ("LiberationSans-Regular.ttf", "LiberationSans-Bold.ttf"),
    ("Arial.ttf", "Arial Bold.ttf"), ("arial.ttf", "arialbd.ttf"),
)  # fmt: skip
_PLAIN = {"−": "-", "–": "-", "\u00a0": " ", "“": '"', "”": '"', "’": "'", "…": "..."}


def as_svg(shapes: Sequence[Shape], said: str) -> str:
    """The picture as an SVG file; `said` is its text alternative."""
    head = Markup(
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<svg xmlns="http://www.w3.org/2000/svg" width="{0}" height="{1}" viewBox="0 0 {0} {1}" role="img" '
        'aria-labelledby="said" font-family="{2}">\n<title id="said">{3}</title>\n'
        '<rect width="{0}" height="{1}" fill="{4}"/>\n'
    )
    parts = [head.format(WIDTH, HEIGHT, _FAMILY, said, PAPER)]
    return str(Markup("").join([*parts, *(_svg(item) for item in shapes), Markup("</svg>\n")]))


def _svg(item: Shape) -> Markup:
    if isinstance(item, Text):
        wide = len(item.text) * _EM * item.size > item.most_px
        squeezed = Markup(' textLength="{}" lengthAdjust="spacingAndGlyphs"').format(round(item.most_px))
        return Markup('<text x="{}" y="{}" font-size="{}"{} fill="{}" text-anchor="{}"{}>{}</text>\n').format(
            round(item.x, 1), round(item.y, 1), item.size, Markup(' font-weight="700"') if item.bold else "",
            item.colour, item.anchor, squeezed if wide and _surely_wider(item) else "", item.text,
        )  # fmt: skip
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in item.points)
    if isinstance(item, Fill):
        return Markup('<polygon points="{}" fill="{}"/>\n').format(points, item.colour)
    return Markup(
        '<polyline points="{}" fill="none" stroke="{}" stroke-width="{}" stroke-linejoin="round"/>\n'
    ).format(points, item.colour, item.width)


def _surely_wider(item: Text) -> bool:
    """Whether even a narrow font would run over: squeezing a text that fits would stretch it."""
    return len(item.text) * 0.5 * item.size > item.most_px


def as_png(shapes: Sequence[Shape]) -> bytes:
    """The picture as a PNG file.

    Raises:
        SpeedlogError: Pillow is not installed.
    """
    try:
        from PIL import Image, ImageDraw
    except ImportError:
        raise SpeedlogError(
            "a PNG needs the library Pillow, which is not installed",
            todo='Run pip install "speedlog[picture]", or write an .svg.',
        ) from None
    large = Image.new("RGB", (WIDTH * _LARGER, HEIGHT * _LARGER), PAPER)
    pen = ImageDraw.Draw(large)
    for item in shapes:
        if not isinstance(item, Text):
            _draw(pen, item)
    image = large.resize((WIDTH, HEIGHT), Image.Resampling.LANCZOS)
    pen = ImageDraw.Draw(image)
    for item in shapes:
        if isinstance(item, Text):
            _write(pen, item)
    kept = io.BytesIO()
    image.save(kept, "PNG", optimize=True)
    return kept.getvalue()


def _draw(pen: ImageDraw, item: Fill | Stroke) -> None:
    points = [(x * _LARGER, y * _LARGER) for x, y in item.points]
    if isinstance(item, Fill):
        pen.polygon(points, fill=item.colour)
    else:
        pen.line(points, fill=item.colour, width=round(item.width * _LARGER), joint="curve")


def _write(pen: ImageDraw, item: Text) -> None:
    anchor = {"start": "ls", "middle": "ms", "end": "rs"}[item.anchor]
    size = item.size
    font, text = _font(size, item.bold, item.text)
    while size > 10 and pen.textlength(text, font=font) > item.most_px:
        size -= 1
        font, text = _font(size, item.bold, item.text)
    pen.text((item.x, item.y), text, font=font, fill=item.colour, anchor=anchor)


def _font(size: int, bold: bool, text: str) -> tuple[Any, str]:
    """The font, and the text as that font can write it."""
    from PIL import ImageFont

    name = _found(bold)
    if name is not None:
        return ImageFont.truetype(name, size), text
    plain = unicodedata.normalize("NFKD", "".join(_PLAIN.get(mark, mark) for mark in text))
    kept = "".join(mark for mark in plain if not unicodedata.combining(mark))
    return ImageFont.load_default(size), "".join(
        mark if ord(mark) < 127 or mark in "±°" else "?" for mark in kept
    )


@cache
def _found(bold: bool) -> str | None:
    from PIL import ImageFont

    for regular, heavy in _FONTS:
        try:
            ImageFont.truetype(regular, 20)
            ImageFont.truetype(heavy, 20)
        except OSError:
            continue
        return heavy if bold else regular
    return None
