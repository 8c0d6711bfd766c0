"""The charting library as the pages carry it: inside each file, or once in a folder for all of its reports."""

from __future__ import annotations

import hashlib
import re
from functools import cache
from pathlib import Path

from markupsafe import Markup


@cache
def library() -> Markup:
    """The library's text, checked not to end the script element that holds it."""
    from plotly.offline import get_plotlyjs

    source = get_plotlyjs()
    if re.search(r"</script|<!--", source, re.IGNORECASE):
        source = re.sub(r"<(?=/script|!--)", r"\\x3c", source, flags=re.IGNORECASE)
    return Markup(source)


def shared_name() -> str:
    """Name of the shared file: it changes with what is in it, so that pages of two versions don't meet."""
    return f"plotly-{hashlib.sha256(library().encode()).hexdigest()[:12]}.min.js"


def is_shared_in(folder: Path) -> bool:
    """Whether the folder holds the library already, whole."""
    path = folder / shared_name()
    try:
        return path.is_file() and path.stat().st_size == len(library().encode())
    except OSError:
        return False
