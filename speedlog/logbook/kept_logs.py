"""Kept logs read as if they were files: their bytes come from the logbook, and go nowhere else."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

from speedlog.errors import SpeedlogError
from speedlog.importers import ReadOptions, Source, detect
from speedlog.pipeline import Memory
from speedlog.samples import Recording


@dataclass(frozen=True)
class KeptLog:
    """A log as kept."""

    name: str
    sha256: str
    columns_sha256: str | None
    data: bytes = field(repr=False)
    columns: bytes | None = field(default=None, repr=False)


class KeptMemory(Memory):
    """Reads kept bytes as if they were files; no byte of a log goes to the disk."""

    def __init__(self) -> None:
        super().__init__()
        self._logs: dict[Path, KeptLog] = {}
        self._read: dict[tuple[str, str, str | None], Recording] = {}

    def take(self, logs: tuple[KeptLog, ...]) -> list[Path]:
        """The names under which a review reads these; two of one name are told apart by numbered folders."""
        paths = []
        for number, log in enumerate(logs, start=1):
            path = Path(f"{log.sha256}-{log.columns_sha256}") / str(number) / log.name
            self._logs[path] = log
            paths.append(path)
        return paths

    def read(self, path: Path, options: ReadOptions) -> Recording:
        log = self._logs[path]
        key = (log.name, log.sha256, log.columns_sha256)
        if key not in self._read:
            self._read[key] = read_kept(log, options)
        return self._read[key]

    def read_all(self, path: Path, options: ReadOptions) -> tuple[Recording, ...]:
        """One: what is kept is a log, never an archive."""
        return (self.read(path, options),)


def read_kept(log: KeptLog, options: ReadOptions) -> Recording:
    """A kept log read in. Raises SpeedlogError as `speedlog.importers.read` does."""
    source = Source(log.name, log.data)
    if log.columns is None:
        found: Recording = detect(source).read(source, options)
        return found
    with tempfile.TemporaryDirectory(prefix="speedlog-") as folder:
        mapping = Path(folder) / "map.toml"
        mapping.write_bytes(log.columns)
        try:
            with_mapping: Recording = detect(source).read(source, replace(options, columns=mapping))
        except SpeedlogError as error:
            if error.file != str(mapping):
                raise
            # the temporary name would mean nothing to the reader, and make the same trouble look new each time
            where = f"mapping of {log.name}"
            raise SpeedlogError(error.problem, file=where, line=error.line, todo=error.todo) from None
        return with_mapping
