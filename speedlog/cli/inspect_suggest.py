"""`speedlog inspect FILE --suggest map.toml`: a first mapping of a table, tried before it is written."""

from __future__ import annotations

import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from speedlog.errors import SpeedlogError, plain

if TYPE_CHECKING:
    from speedlog.importers import ReadOptions, Source
    from speedlog.importers.suggest import Suggestion
    from speedlog.samples import Recording


def write_suggestion(files: Sequence[Path], out: Path, options: ReadOptions) -> str:
    """Write the mapping; gives what to say about it.

    Raises:
        SpeedlogError: several files, a format that needs no mapping, or `out` is there already.
    """
    from speedlog.cli.output import write_text
    from speedlog.importers import detect, load
    from speedlog.importers.suggest import suggest_mapping

    if len(files) != 1:
        raise SpeedlogError("--suggest takes one file", todo="Name the table that the mapping is for.")
    if out.exists() or out.is_symlink():
        raise SpeedlogError("is there already", file=out, todo="Choose another name, or move it away.")
    source = load(files[0], options.settings)
    importer = detect(source)
    if importer.NAME != "delimited":
        raise SpeedlogError(
            f"is {importer.NAME}: its standard says what stands where, so there is nothing to map",
            file=source.file,
        )
    found = suggest_mapping(source, options)
    same = bool(found.start_only) or _reads_the_same(source, found, options)
    text = (
        found.text if same else f"# DOUBT: read with this mapping, the table is not the same.\n{found.text}"
    )
    write_text(out, text, inputs=files)
    return _words(found, out, same)


def _reads_the_same(source: Source, found: Suggestion, options: ReadOptions) -> bool:
    from speedlog.importers import read_source

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "map.toml"
        path.write_text(found.text, encoding="utf-8", newline="\n")
        return same_table(read_source(source, options), read_source(source, replace(options, columns=path)))


def same_table(one: Recording, two: Recording) -> bool:
    """Whether two readings of a file give the same table, to the last bit."""
    return (
        one.clock is two.clock
        and one.electrical_rpm == two.electrical_rpm
        and len(one.segments) == len(two.segments)
        and all(a.equals(b) for a, b in zip(one.segments, two.segments, strict=True))
    )


def _words(found: Suggestion, out: Path, same: bool) -> str:
    name = plain(out)
    if found.start_only:
        return f"Wrote {name}: a start only, since the file can't be read yet. Open it and name the columns."
    doubts = f"{len(found.doubts)} doubt{'' if len(found.doubts) == 1 else 's'} in it, marked DOUBT"
    told = doubts if found.doubts else "nothing in it had to be guessed"
    check = "read with it, the file gives the same table" if same else "but read with it, the table differs"
    return f"Wrote {name}: {found.used} of {found.listed} columns are used; {told}; {check}."
