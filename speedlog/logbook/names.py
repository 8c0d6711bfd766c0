"""Names for files that are written out: a stored name is a stranger's text and never becomes a path as it is."""

from __future__ import annotations

import re
import unicodedata

_LONGEST = 120  # bytes; every file system takes 255, and folders and endings need their part
# what Windows or a shell takes for something else than a letter of a name, also between quotes, and what can't be seen
_FOREIGN = re.compile(r'[$`!%^\x00-\x1f\x7f-\x9f<>:"/\\|?*\u200b-\u200f\u2028-\u202e\u2060-\u206f\ufeff]')
_DEVICES = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)


def file_name(text: str, taken: set[str] | None = None, fallback: str = "log") -> str:
    """A name fit for every usual file system: one part, visible, no device, no longer than 120 bytes.

    Args:
        taken: names given already in the folder, as compared (`_compared`); the new one is added, and made
            different from all of them, also where case doesn't count.
        fallback: where nothing of the text is left.
    """
    name = unicodedata.normalize("NFC", text.encode("utf-8", "replace").decode("utf-8"))
    name = _FOREIGN.sub("_", name).strip(" .").lstrip("-=+@~")
    if not name:
        name = fallback
    if _DEVICES.match(name):
        name = f"_{name}"
    stem, dot, ending = name.rpartition(".")
    if not dot or not ending.isalnum() or len(ending.encode()) > 12:
        stem, ending = name, ""
    ending = f".{ending}" if ending else ""
    name = _cut(stem, _LONGEST - len(ending.encode())) + ending
    if taken is None:
        return name
    number = 2
    while _compared(name) in taken:
        name = f"{_cut(stem, _LONGEST - 12 - len(ending.encode()))} ({number}){ending}"
        number += 1
    taken.add(_compared(name))
    return name


def _compared(name: str) -> str:
    return unicodedata.normalize("NFKC", name).casefold()


def _cut(text: str, most_bytes: int) -> str:
    return text.encode()[: max(1, most_bytes)].decode("utf-8", "ignore").rstrip(" .") or "_"
