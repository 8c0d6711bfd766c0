"""Is evidence unchanged, and does it re-compute? More can't be told from a file, and no more is said."""

from __future__ import annotations

import hashlib
import json
import re
import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import speedlog
from speedlog.errors import SpeedlogError, plain
from speedlog.logbook import claim as claims
from speedlog.logbook import evidence, results, verify
from speedlog.logbook.claim import Claim
from speedlog.logbook.evidence import README, SUMS, Page
from speedlog.logbook.evidence_zip import read_zip
from speedlog.settings import LogbookSettings

_LINE = re.compile(r"([0-9a-f]{64}) [ *](.+)")


@dataclass(frozen=True)
class Checked:
    """What was found; both lists name files of the zip, with what is wrong.

    Attributes:
        sha256: of the whole zip.
        files: how many were hashed.
        changed: not as SHA256SUMS says, missing, or not in it; or the zip itself is not as it was made.
        differing: don't come out again when computed from the originals.
        left_out: not compared, and why.
        program: that made it.
    """

    sha256: str
    files: int
    changed: tuple[str, ...]
    differing: tuple[str, ...]
    left_out: tuple[str, ...]
    program: str

    @property
    def unchanged(self) -> bool:
        return not self.changed

    @property
    def recomputes(self) -> bool:
        return not self.differing

    def as_json(self) -> dict[str, Any]:
        found = {
            name: list(value) if isinstance(value, tuple) else value for name, value in vars(self).items()
        }
        return {"schema_version": 1, "unchanged": self.unchanged, "re_computes": self.recomputes, **found}


def check(
    path: Path, page: Page, *, made_with: Mapping[str, str] | None = None,
    settings: LogbookSettings | None = None, begin: Callable[[int, int], None] | None = None,
) -> Checked:  # fmt: skip
    """Hash every file of evidence, and compute all that is computed again from the originals in it.

    Args:
        page: see `evidence.make`.
        made_with: versions of what makes the page here.
        begin: told before each review: which of how many.

    Raises:
        SpeedlogError: it is no zip that evidence can be.
    """
    found = read_zip(path, settings or LogbookSettings())
    if SUMS not in found.files or claims.FILE not in found.files:
        missing = SUMS if SUMS not in found.files else claims.FILE
        raise SpeedlogError(f"no evidence: {missing} is not in it", file=path, todo="Is it the right zip?")
    changed = _changed(found.files)
    if not changed and not found.as_made:
        changed = [
            f"{plain(path.name, 100)}: packed anew by another program, or something was put in between"
        ]
    whole = {name: data for name, data in found.files.items() if data is not None}
    program, differing, left_out = "unknown", list[str](), list[str]()
    try:
        claim = claims.from_json(whole)
        program = claim.program
        differing, left_out = _recomputed(claim, whole, page, made_with or {}, begin)
    except SpeedlogError as error:
        differing.append(f"{plain(error.file or claims.FILE, 100)}: {error.problem}")
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        differing.append(f"course: not a course.toml ({plain(error, 80)})")
    return Checked(found.sha256, len(found.files), tuple(changed), tuple(differing), tuple(left_out), program)


def _changed(files: Mapping[str, bytes | None]) -> list[str]:
    listed: dict[str, str] = {}
    data = files[SUMS]
    for line in (data or b"").decode("utf-8", "replace").splitlines():
        found = _LINE.fullmatch(line)
        if found is None or found[2] in listed:
            return [f"{SUMS}: not a list of hashes"]
        listed[found[2]] = found[1]
    wrong = [f"{name}: missing" for name in listed if name not in files]
    for name, content in sorted(files.items()):
        if name == SUMS:
            continue
        if name not in listed:
            wrong.append(f"{name}: not in {SUMS}")
        elif content is None or hashlib.sha256(content).hexdigest() != listed[name]:
            wrong.append(f"{name}: changed")
    return sorted(plain(text, 300) for text in wrong)


def _recomputed(
    claim: Claim, files: Mapping[str, bytes], page: Page, made_with: Mapping[str, str],
    begin: Callable[[int, int], None] | None,
) -> tuple[list[str], list[str]]:  # fmt: skip
    """Files that come out otherwise, and those that could not be compared."""
    differing, left_out = [], []
    reviews = evidence.reviewed(claim, begin=begin)
    same_program = claim.program == speedlog.__version__
    for item, review in zip(claim.passes, reviews, strict=True):
        share = verify.tolerance(item.environment) if same_program else LogbookSettings().moved_share
        kept = _json(files.get(item.review_file))
        wrong = verify.difference(kept, evidence.plain_json(review), share)
        if wrong:
            by = (
                ""
                if same_program
                else f" (made by speedlog {plain(claim.program, 40)}, which may tell it otherwise)"
            )
            differing.append(f"{plain(item.review_file, 100)}: {wrong}{by}")
    same_here = same_program and all(dict(item.environment) == results.environment() for item in claim.passes)
    for name, content in evidence.computed(claim, reviews, page).items():
        if not same_here or (name != README and dict(claim.made_with) != dict(made_with)):
            left_out.append(f"{name}: made with other versions than this computer has")
        elif files.get(name) != content:
            differing.append(f"{name}: comes out otherwise" if name in files else f"{name}: missing")
    return differing, left_out


def _json(data: bytes | None) -> Any:
    if data is None:
        return None
    try:
        return json.loads(data)
    except (ValueError, RecursionError):
        return None
