"""From a log file to a Recording: one list of importers, in the order in which they are tried.

An importer is one module with three names: `NAME`, `sniff(head: bytes) -> bool` (sees the first
`HEAD_BYTES` bytes, never raises) and `read(source: Source, options: ReadOptions) -> Recording`.
Content decides, never the file's name.
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import dataclass, field
from pathlib import Path
from types import ModuleType

from speedlog.errors import SpeedlogError
from speedlog.samples import Recording
from speedlog.settings import ReadSettings

HEAD_BYTES = 64 * 1024


@dataclass(frozen=True)
class Source:
    """A file's name and its bytes: what an importer reads. No importer opens a file itself."""

    file: str
    data: bytes = field(repr=False)

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.data).hexdigest()


@dataclass(frozen=True)
class ReadOptions:
    """What the user says about a file: the mapping of columns, if any."""

    columns: Path | None = None
    settings: ReadSettings = field(default_factory=ReadSettings)


def importers() -> tuple[ModuleType, ...]:
    """The importers in the order in which they are tried (imported late: each brings its library)."""
    from speedlog.importers import delimited, gpx, nmea

    return (nmea, gpx, delimited)
