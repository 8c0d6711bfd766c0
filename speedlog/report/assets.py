"""What every page is made with: the template engine, the package's own style and script, harmless text."""

from __future__ import annotations

import re
from functools import cache
from importlib import resources

import jinja2
from markupsafe import Markup


def isolated(text: str) -> str:
    """Right-to-left marks and other invisible controls out of a sentence: they could turn numbers round."""
    return re.sub(r"[\u202a-\u202e\u2066-\u2069\u200e\u200f\x00-\x08\x0b-\x1f\x7f-\x9f]", " ", text)


def environment() -> jinja2.Environment:
    """Templates of the package; every text is escaped."""
    return jinja2.Environment(
        loader=jinja2.PackageLoader("speedlog.report", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def own(name: str) -> Markup:
    """A page's own style or script, from the package."""
    return Markup(resources.files("speedlog.report").joinpath("style", name).read_text(encoding="utf-8"))
