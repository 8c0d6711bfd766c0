"""The documents are true: commands run as shown, every word of the code's own lists is explained.

Blocks of the README are found by the words after their fence: `sh tour` is run, `text said` is what it
prints, `file=NAME` is written out first (DEVELOPERS.md, "Tests").
"""

from __future__ import annotations

import ast
import os
import re
import shlex
import subprocess
import sys
import tomllib
from dataclasses import fields
from pathlib import Path
from typing import get_args
from unittest import mock

import pytest

from speedlog.cli.main import app
from speedlog.demo import sample_folder
from speedlog.faults import KINDS
from speedlog.report.wording import FAULTS, VERDICTS
from speedlog.results import FaultKind, VerdictCode
from speedlog.samples import COLUMN_NAMES
from speedlog.settings import Settings
from tests.cli import inside

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PACKAGE = ROOT / "speedlog"
ROUNDING = 0.5  # a number in the README may be so far off, or half a percent: estimates get better


def blocks(text: str) -> list[tuple[str, str]]:
    """(words after the fence, content) of every fenced block, in order."""
    found = re.findall(r"^ *```(.*?)\n(.*?)^ *```$", text, re.MULTILINE | re.DOTALL)
    return [(name.strip(), content) for name, content in found]


def block(name: str) -> str:
    """The one line of a block."""
    found = [content.strip() for words, content in blocks(README) if words == name]
    assert len(found) == 1, f"{len(found)} blocks {name}"
    return found[0]


def tour() -> list[tuple[str, str]]:
    """Every command of the tour with what it is said to print."""
    listed = blocks(README)
    steps = []
    for place, (name, content) in enumerate(listed):
        if name == "sh tour":
            assert listed[place + 1][0] == "text said", f"nothing said after {content}"
            *before, last = content.strip().splitlines()
            steps += [(line, "…") for line in before] + [(last, listed[place + 1][1])]
    return steps


def same(shown: str, printed: str) -> bool:
    """The same words, and numbers within `ROUNDING`; "…" ends a line that goes on."""
    number = re.compile(r"\d+(?:\.\d+)?")
    cut = shown.endswith("…")
    words, other = number.sub("#", shown.removesuffix("…")), number.sub("#", printed)
    if not (other.startswith(words) if cut else other == words):
        return False
    pairs = zip(number.findall(shown), number.findall(printed), strict=False)
    return all(abs(float(a) - float(b)) <= max(ROUNDING, 0.005 * float(b)) for a, b in pairs)


@pytest.fixture(scope="module")
def toured(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[int, str, str]]:
    """Every command of the tour, run in order in a copy of the sample files."""
    folder = tmp_path_factory.mktemp("tour")
    for path in sample_folder().iterdir():
        (folder / path.name).write_bytes(path.read_bytes())
    for words, content in blocks(README):
        if "file=" in words:
            (folder / words.partition("file=")[2]).write_text(content, encoding="utf-8", newline="\n")
    found = {}
    with mock.patch.dict(os.environ, {"SPEEDLOG_LOGBOOK": str(folder / "season.db")}):
        for line, _ in tour():
            program, *arguments = shlex.split(line)
            assert program == "speedlog"
            done = inside.run(*arguments, cwd=folder)
            found[line] = (done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))
    return found


def test_the_comparison_itself() -> None:
    assert same("p02: 169.4 ± 0.5 mph", "p02: 169.9 ± 0.7 mph")
    assert not same("p02: 169.4 mph", "p03: 169.4 mph")
    assert not same("p02: 169.4 mph", "p02: 171.0 mph")
    assert not same("it reads low", "it reads high")
    assert same("Logs and trap agree…", "Logs and trap agree: 160.0 mph") and not same("Logs", "Logs and")


@pytest.mark.parametrize(("line", "said"), tour(), ids=[line for line, _ in tour()])
def test_the_tour_prints_what_the_readme_says(
    toured: dict[str, tuple[int, str, str]], line: str, said: str
) -> None:
    code, out, err = toured[line]
    assert (code, err) == (0, "")
    printed = out.splitlines()
    place, may_skip = 0, False
    for shown in said.rstrip("\n").splitlines():
        if shown == "…":
            may_skip = True
            continue
        rest = [n for n in range(place, len(printed)) if same(shown, printed[n])]
        assert rest, f"not printed: {shown}\nin:\n{out}"
        assert may_skip or rest[0] == place, f"not the next line: {shown}\nin:\n{out}"
        place, may_skip = rest[0] + 1, False


def test_the_tour_holds_every_command_but_the_first_line() -> None:
    named = {shlex.split(line)[1] for line, _ in tour()}
    assert named == commands() - {"demo", "pit"}  # a page that stays open is no line of a tour
    assert "speedlog demo" in block("sh main")


def commands() -> set[str]:
    return {str(item.name) for item in (*app.registered_commands, *app.registered_groups)}


def test_two_lines_for_each_system() -> None:
    """A single line each, with all its set-up; PowerShell 5.1 knows no && and needs no activation."""
    for shell in ("sh", "powershell"):
        for name in ("main", "tests"):
            line = block(f"{shell} {name}")
            assert "\n" not in line and "-m venv .venv" in line and "-m pip install" in line
            assert "activate" not in line.lower()
    for name in ("main", "tests"):
        posix, windows = block(f"sh {name}"), block(f"powershell {name}")
        assert "&&" not in windows and "/" not in windows and windows.startswith("py -3 -m venv .venv; ")
        translated = posix.replace("python3 -m", "py -3 -m").replace(" &&", ";")
        assert translated.replace(".venv/bin/", ".venv\\Scripts\\") == windows
    assert README.index("```sh main") < README.index("```powershell main") < README.index("```sh tour")


def test_readme_begins_with_the_job_in_one_paragraph() -> None:
    title, job, heading = README.split("\n\n", 3)[:3]
    assert title.startswith("# ") and heading.startswith("## ")
    for word in ("car", "trap", "loggers", "report"):
        assert word in job


@pytest.mark.parametrize("kind", get_args(FaultKind))
def test_every_fault_kind_is_explained(kind: FaultKind) -> None:
    assert f"| `{kind}` | {FAULTS[kind]} |" in README
    assert kind in {module.KIND for module in KINDS}


@pytest.mark.parametrize("code", get_args(VerdictCode))
def test_every_verdict_is_explained(code: VerdictCode) -> None:
    assert f"| `{code}` | {VERDICTS[code]} |" in README


def test_verdicts_stand_in_the_order_in_which_they_are_tried() -> None:
    places = [README.index(f"| `{code}` |") for code in get_args(VerdictCode)]
    assert places == sorted(places)


@pytest.mark.parametrize("name", sorted(commands()))
def test_every_command_is_named(name: str) -> None:
    assert f"`{name}`" in README
    assert f"speedlog/cli/{name}.py" in DEVELOPERS


@pytest.mark.parametrize("name", ["time", *COLUMN_NAMES])
def test_every_column_of_a_mapping_is_named(name: str) -> None:
    assert f"`{name}`" in README


@pytest.mark.parametrize("name", [item.name for item in fields(Settings)])
def test_every_group_of_settings_is_named(name: str) -> None:
    assert f"`{name}`" in DEVELOPERS


def test_every_key_of_a_mapping_is_named() -> None:
    from speedlog.importers.delimited_map import _CHOICE, _DECIMALS, _ENCODINGS, _ORDERS, _TOP, FORMS

    section = README[README.index("**An odd table**") : README.index("## What can be wrong")]
    for key in (*_TOP, *_CHOICE):
        assert re.search(rf"\b{key}\b", section), key
    for text in (*_DECIMALS, *_ENCODINGS, *_ORDERS, *(form for forms in FORMS.values() for form in forms)):
        assert f'"{text}"' in section, text


def test_the_examples_in_toml_are_sound() -> None:
    found = [content for words, content in blocks(README) if words.startswith("toml")]
    assert found
    for content in found:
        tomllib.loads(content)


def _holds_code(path: Path) -> bool:
    body = ast.parse(path.read_text(encoding="utf-8")).body
    return not all(isinstance(item, ast.Expr) and isinstance(item.value, ast.Constant) for item in body)


def test_the_map_names_every_module_once_and_no_other() -> None:
    (content,) = [content for words, content in blocks(DEVELOPERS) if words == "text map"]
    lines = [line for line in content.splitlines() if line.strip()]
    named = [line.split()[0] for line in lines]
    assert all(len(line.split()) > 2 for line in lines), "a module without a word about it"
    there = {path.relative_to(ROOT).as_posix() for path in PACKAGE.rglob("*.py") if _holds_code(path)}
    assert sorted(named) == sorted(set(named)), "named twice"
    assert (set(named) - there, there - set(named)) == (set(), set()), "(gone, not in DEVELOPERS.md)"


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_links_within_the_project_lead_somewhere(text: str) -> None:
    targets = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert targets
    assert [link for link in targets if not (ROOT / link).is_file()] == []


def test_every_path_named_for_contributors_is_there() -> None:
    named = set(re.findall(r"`((?:speedlog|tests|\.ci|notebooks|docs|sample_data)/[\w./]*)`", DEVELOPERS))
    assert len(named) > 5
    missing = [name for name in named if not (ROOT / name).exists()]
    assert missing == ["speedlog/sample_data"] or not missing  # there only inside the wheel


def test_the_readme_says_what_the_tool_does_not_say() -> None:
    assert "can kill" in README and "lithium" in README
    assert not re.search(r"\b(is|are) safe\b", README + DEVELOPERS)


@pytest.mark.parametrize(
    ("cases", "allowed", "code"),
    [
        ('<testcase classname="a" name="x"/>', "", 0),
        ('<testcase classname="a" name="x"><skipped message="why"/></testcase>', "", 1),
        ('<testcase classname="a" name="x"><skipped message="why"/></testcase>', "a::x  a reason", 0),
        ('<testcase classname="a" name="x[1]"><skipped message="why"/></testcase>', "a::x  a reason", 0),
        ('<testcase classname="a" name="x"><skipped message="why"/></testcase>', "a::y  a reason", 1),
        ("", "", 1),
    ],
)
def test_ci_refuses_a_skip_that_is_not_on_the_list(
    tmp_path: Path, cases: str, allowed: str, code: int
) -> None:
    report, listed = tmp_path / "tests.xml", tmp_path / "allowed.txt"
    report.write_text(f"<testsuites><testsuite>{cases}</testsuite></testsuites>", encoding="utf-8")
    listed.write_text(f"# a comment\n{allowed}\n", encoding="utf-8")
    command = [sys.executable, str(ROOT / ".ci" / "check_skips.py"), str(report), str(listed)]
    assert subprocess.run(command, capture_output=True).returncode == code
