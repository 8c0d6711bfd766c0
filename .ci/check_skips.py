"""Fails when a test was skipped that is not on the list: check_skips.py tests.xml allowed_skips.txt"""

import shutil
import sys
import xml.etree.ElementTree as ElementTree
from pathlib import Path

BESIDE = "shared/ is not beside this checkout"
TOOLS = {
    "no chromium on this computer": "chromium",
    "pdftotext is not installed": "pdftotext",
}  # reason: program


def main(report: Path, allowed: Path) -> int:
    """Print every skipped test; 1 when one of them is not allowed."""
    lines = allowed.read_text(encoding="utf-8").splitlines()
    named = {line.split("  ")[0].strip() for line in lines if line.strip() and not line.startswith("#")}
    no_shared = not (allowed.parent.parent.parent / "shared").is_dir()
    wrong = 0
    cases = list(ElementTree.parse(report).getroot().iter("testcase"))
    for case in cases:
        for skipped in case.findall("skipped"):
            name = f"{case.get('classname')}::{case.get('name')}"
            reason = skipped.get("message") or ""
            known = name in named or name.split("[")[0] in named or (no_shared and BESIDE in reason)
            # only where .ci/run could not get the program either
            known = known or any(text in reason and not shutil.which(tool) for text, tool in TOOLS.items())
            wrong += not known
            print(f"{'skipped' if known else 'SKIPPED, NOT ALLOWED'}: {name}: {reason}")
    print(f"{len(cases)} tests, {wrong} skipped that may not be")
    return 1 if wrong or not cases else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]).resolve(), Path(sys.argv[2]).resolve()))
