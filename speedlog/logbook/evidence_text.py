"""README.txt of evidence: what is in it, and how a sceptical third party computes everything again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

from speedlog.errors import plain
from speedlog.importers import ReadOptions
from speedlog.logbook import results
from speedlog.logbook.by_hand import ByHand, by_hand, metres_a_degree
from speedlog.logbook.claim import FILE, Claim, ClaimedPass
from speedlog.logbook.kept_logs import read_kept
from speedlog.logbook.rows import PassRow, ResultRow
from speedlog.logbook.two_way import Pair, pairs
from speedlog.reconcile.official import unit_part
from speedlog.results import Review
from speedlog.samples import utc_text
from speedlog.settings import Settings
from speedlog.units import Unit, find_unit

SAID = (
    "Hashes show that the files are unchanged since this computer took them in; they don't show who recorded them. "
    "The estimate is not an official speed."
)


def readme(claim: Claim, reviews: Sequence[Review], pages: Sequence[str]) -> str:
    """The whole text.

    Args:
        pages: names of the reports.
    """
    parts = [
        _head(claim),
        *(_pass(item, review) for item, review in zip(claim.passes, reviews, strict=True)),
        _rule(claim, reviews),
        _files(claim, pages),
        _unchanged(),
        _with_program(claim, reviews),
        *_hands(claim, reviews),
        _corrections(claim),
        _made(claim),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def two_way(claim: Claim, reviews: Sequence[Review]) -> list[Pair]:
    """The pairs among the passes of a claim that its rule counts, by the official figures."""
    if claim.rule is None:
        return []
    of_one: dict[tuple[str, str], list[int]] = {}
    for place, item in enumerate(claim.passes):
        of_one.setdefault((item.row.venue, item.row.car), []).append(place)
    return [
        pair
        for places in of_one.values()
        for pair in pairs([_figured(claim.passes[k], reviews[k]) for k in places], claim.rule.window_s)
    ]


def _figured(item: ClaimedPass, review: Review) -> PassRow:
    found = review.passes[0]
    official = found.trap.official if found.trap else None
    low, high = official.interval95_mps if official else (None, None)
    return replace(
        item.row,
        result=ResultRow(
            "", item.program, {}, "", outbound=found.outbound,
            entry_utc=utc_text(found.trap.entry_utc) if found.trap else None,
            official_mps=official.speed_mps if official else None, official_low_mps=low, official_high_mps=high,
            trap_length_m=found.trap.length_m if found.trap else None,
        ),
    )  # fmt: skip


def _unit(item: ClaimedPass) -> Unit:
    names = (unit_part(item.row.trap_text) if item.row.trap_text else None, item.inputs.unit, "km/h")
    return next(unit for name in names if name and (unit := find_unit(name, "speed")))


def _speed(value_mps: float, unit: Unit) -> str:
    return f"{unit.from_si(value_mps):.2f} {unit.symbol}"


def _head(claim: Claim) -> str:
    count = len(claim.passes)
    title = f"EVIDENCE OF {count} PASS{'ES' * (count != 1)}"
    return "\n".join([title, "=" * len(title), "", *_wrapped(SAID)])


def _pass(item: ClaimedPass, review: Review) -> str:
    found, unit, row = review.passes[0], _unit(item), item.row
    trap, official = found.trap, found.trap.official if found.trap else None
    facts = [
        ("session", f"{row.session}, {row.date or 'no date'}, pass {row.number}"),
        ("car", row.car or "not named"),
        ("course", row.venue or "none"),
        ("direction", "not known" if found.outbound is None else "outbound" if found.outbound else "return"),
        ("trap figure", f"{row.trap_text}, as the timekeeper gave it" if row.trap_text else "none was kept"),
    ]
    if row.trap_text and item.trap_at:
        facts.append(("", f"entered {item.trap_at}"))
    if official is not None:
        low, high = official.interval95_mps
        facts.append(
            ("", f"{_speed(official.speed_mps, unit)}, 95 %: {_speed(low, unit)} to {_speed(high, unit)}")
        )
    if trap is not None and trap.estimate_mps is not None and trap.interval95_mps is not None:
        low, high = trap.interval95_mps
        facts.append(
            ("estimate", f"{_speed(trap.estimate_mps, unit)} through the trap, made without the figure")
        )
        facts.append(("", f"95 %: {_speed(low, unit)} to {_speed(high, unit)}"))
    if found.verdict is not None:
        facts.append(("verdict", found.verdict.text))
    facts += [("wind", row.weather["wind"])] if "wind" in row.weather else []
    facts += [("set-up", f"{key} {value}") for key, value in row.setup.items()]
    facts += [
        ("by hand", f"{key} {text}, entered {item.measured_at.get(key)}")
        for key, text in row.measured.items()
    ]
    facts += [("note", row.note)] if row.note else []
    lines = [f"Pass {row.id}", "-" * len(f"Pass {row.id}")]
    last = None
    for name, text in facts:
        lines += _wrapped(plain(text, 1000), f"{'' if name == last else name:<12} ", " " * 13)
        last = name
    return "\n".join(lines)


def _rule(claim: Claim, reviews: Sequence[Review]) -> str:
    if claim.rule is None:
        return ""
    rule, unit = claim.rule, _unit(claim.passes[0])
    title = f'Two ways, by the rule "{plain(rule.name, 80)}"'
    gain = f", a new best must beat the last by {rule.least_gain * 100:g} %" if rule.least_gain else ""
    lines = [
        title, "-" * len(title),
        *_wrapped(f"Two passes in opposite directions within {rule.window_s / 60:g} min; the mean of the {rule.mean} "
                  f"counts{gain}. The rule is the claimant's own setting."),
    ]  # fmt: skip
    found = two_way(claim, reviews)
    for pair in found:
        lines += [
            "",
            f"Passes {pair.first.id} and {pair.second.id}, {pair.apart_s / 60:.1f} min apart at the trap:",
        ]
        for name, figure in (("times", pair.times), ("speeds", pair.speeds)):
            ends = (
                f", 95 %: {_speed(figure.low_mps, unit)} to {_speed(figure.high_mps, unit)}"
                if figure.low_mps is not None and figure.high_mps is not None
                else ""
            )
            counts = "  (counts)" if name == rule.mean else ""
            lines.append(f"  mean of the {name:<7} {_speed(figure.mps, unit)}{ends}{counts}")
    if not found:
        lines += _wrapped(
            "No two passes here make a pair by this rule: other directions, times or traps are missing."
        )
    else:
        lines += ["", "  mean of the times  = 2 / (1/v1 + 1/v2)     mean of the speeds = (v1 + v2) / 2"]
    return "\n".join(lines)


def _files(claim: Claim, pages: Sequence[str]) -> str:
    mapped = any(name for item in claim.passes for name in item.column_files)
    listed = [
        ("originals/", "the logs, bit for bit as they were added"),
        ("columns/", "the claimant's mapping of a table's columns") if mapped else None,
        ("course/", "where the line and the trap lie, and their uncertainties"),
        *((item.review_file, f"all that was found of pass {item.row.id}; SI units") for item in claim.passes),
        *((name, "the same as a page with charts; opens in any browser, needs no network") for name in pages),
        (FILE, "what is claimed: figures as given, set-up, weather, notes, the rule, versions"),
        ("attachments/", "as handed in by the claimant; not read by the program") if claim.attachments else None,
        ("SHA256SUMS", "a hash of every file here but itself"),
    ]  # fmt: skip
    return "\n".join(
        ["What is here", "------------", *(f"{name:<22} {text}" for name, text in filter(None, listed))]
    )


def _unchanged() -> str:
    return "\n".join(
        [
            "1. Are the files unchanged?",
            "---------------------------",
            "Linux                  sha256sum -c SHA256SUMS",
            "macOS                  shasum -a 256 -c SHA256SUMS",
            "Windows (PowerShell)   Get-FileHash -Algorithm SHA256 -Path FILE",
            "with the program       speedlog evidence check THIS.zip",
            "",
            *_wrapped(
                "Whoever can change a file can change SHA256SUMS too. Ask the claimant for the hash of the whole zip "
                "by another way (a message sent on the day); the last command prints it."
            ),
        ]
    )


def _with_program(claim: Claim, reviews: Sequence[Review]) -> str:
    lines = [
        "2. Compute it again with the program",
        "------------------------------------",
        f'python -m pip install "speedlog=={claim.program}"',
        "speedlog evidence check THIS.zip",
        "",
        "or, pass by pass, in the folder to which the zip was unpacked:",
        "",
    ]
    for item, review in zip(claim.passes, reviews, strict=True):
        lines += [_command(item, review), ""]
    lines += _wrapped(
        "With the same versions (see the end) every digit is the same; on other systems figures agree to a millionth. "
        "The program is free: its source, with its tests and the model's equations in docs/model.md, can be read."
    )
    return "\n".join(lines)


def _command(item: ClaimedPass, review: Review) -> str:
    inputs, number = item.inputs, review.passes[0].number
    words = ["speedlog review", *(f'"{name}"' for name in item.log_files)]
    words += [f'--course "{item.course_file}"'] if item.course_file else []
    if inputs.trap is not None:
        several = (review.drives_found or 1) > 1
        words.append(f'--trap {number}="{inputs.trap}"' if several else f'--trap "{inputs.trap}"')
    options = {"wind": inputs.weather.get("wind"), "wheel-diameter": inputs.wheel_diameter,
               "gear-ratio": inputs.gear_ratio, "pole-pairs": inputs.pole_pairs}  # fmt: skip
    words += [f'--{name} "{value}"' for name, value in options.items() if value is not None]
    mappings = sorted({name for name in item.column_files if name})
    words += [f'--columns "{mappings[0]}"'] if len(mappings) == 1 else []
    return f"{' '.join(words)} --json again-{item.row.id}.json"


def _hands(claim: Claim, reviews: Sequence[Review]) -> list[str]:
    item = next((found for found in claim.passes if found.inputs.course is not None), None)
    course = None if item is None else results.course_from(item.inputs.course)
    if course is None:
        return []
    north, east = metres_a_degree(course.line.lat_deg)
    lines = [
        "3. Compute it by hand",
        "---------------------",
        *_wrapped(
            "With a spreadsheet or a pocket calculator, from the originals alone. A log is plain text: in NMEA 0183 "
            "the sentences $..RMC hold the time (UTC), latitude and longitude (degrees and minutes) and the speed in "
            "knots (1 knot = 1852/3600 m/s); in GPX each <trkpt> holds them in degrees; a table says it in its header."
        ),
        "",
        *_wrapped(
            f"The line of {plain(course.name, 80)} starts at latitude {course.line.lat_deg:.7f}, longitude "
            f"{course.line.lon_deg:.7f} and points to {course.line.heading_deg:.3f} degrees true. There a degree of "
            f"latitude is {north:.2f} m and one of longitude {east:.2f} m. A place lies so far along the line:"
        ),
        "",
        f"  along = (lat - {course.line.lat_deg:.7f}) x {north:.2f} x cos({course.line.heading_deg:.3f}°)",
        f"        + (lon - {_signed(course.line.lon_deg)}) x {east:.2f} x sin({course.line.heading_deg:.3f}°)   [m]",
        "",
        *_wrapped(
            f"The beams stand at {course.entry_m:g} m and {course.exit_m:g} m, {course.length_m:g} m apart by the "
            "tape. Find the two epochs round each beam; between them the time goes with the way:"
        ),
        "",
        "  t(beam) = t1 + (beam - along1) / (along2 - along1) x (t2 - t1)",
        "  speed   = length / (t(second beam) - t(first beam))",
        "",
        *_wrapped(
            "This takes the log at its word: a single reading that is off, or a logger that is late, is in it. So it "
            "comes near the estimate and not to its last digit; where epochs are missing at the trap it can't be done."
        ),
    ]
    tables = [_tables(one, review) for one, review in zip(claim.passes, reviews, strict=True)]
    return ["\n".join(lines), *(text for text in tables if text)]


def _tables(item: ClaimedPass, review: Review) -> str:
    course, found, unit = results.course_from(item.inputs.course), review.passes[0], _unit(item)
    if course is None or found.outbound is None:
        return ""
    lines = [f"Pass {item.row.id}, by hand:"]
    offsets = {summary.sha256: summary.clock_offset_s for summary in review.recordings}
    for log, name in zip(item.inputs.logs, item.log_files, strict=True):
        shift = pd.Timedelta(round((offsets.get(log.sha256) or 0.0) * 1e9), "ns")
        recording = read_kept(log, ReadOptions(settings=Settings().read))
        if not recording.has_positions:
            continue
        made = by_hand(recording, course, found.start_utc - shift, found.end_utc - shift, found.outbound)
        lines += ["", f"  {name}", *(_table(made, unit) if made else ["  no two epochs round both beams"])]
    return "\n".join(lines) if len(lines) > 1 else ""


def _table(made: ByHand, unit: Unit) -> list[str]:
    lines = [f"  {'beam':>9}  {'time in the log':<16} {'along':>11}  {'speed in the log':>16}"]
    for crossing in (made.first, made.second):
        for epoch, beam in ((crossing.before, f"{crossing.beam_m:g} m"), (crossing.after, "")):
            speed = "none" if epoch.speed_mps is None else _speed(epoch.speed_mps, unit)
            lines.append(f"  {beam:>9}  {epoch.time:%H:%M:%S.%f}  {epoch.along_m:>10.3f} m  {speed:>16}")
    length = abs(made.second.beam_m - made.first.beam_m)
    if made.first.before.time == made.second.before.time:
        gap = (made.first.after.time - made.first.before.time).total_seconds()
        lines.append(
            f"  No epoch lies between the beams: this is the mean over {gap:.2f} s, and not of the trap."
        )
    lines.append(
        f"  {length:g} m / {made.transit_s:.4f} s = {made.speed_mps:.3f} m/s = {_speed(made.speed_mps, unit)}"
    )
    return lines


def _corrections(claim: Claim) -> str:
    lines = ["Corrections", "-----------"]
    for item in claim.passes:
        for found in item.corrections:
            old, new = (plain(text, 200) or "none" for text in (found.old or "", found.new or ""))
            said = (
                f"pass {item.row.id}, {found.field}: {old} -> {new} ({found.at}, {plain(found.reason, 200)})"
            )
            lines += _wrapped(said, "", "  ")
    if len(lines) == 2:
        lines.append("None: every value is as it was first entered.")
    return "\n".join(lines)


def _made(claim: Claim) -> str:
    versions = {**claim.passes[0].environment, **claim.made_with}
    return "\n".join(
        [
            f"Made by speedlog {claim.program} of results of {claim.made:%Y-%m-%d %H:%M:%S} UTC, with",
            *_wrapped(", ".join(f"{name} {value}" for name, value in sorted(versions.items())) + "."),
        ]
    )


def _signed(value: float) -> str:
    return f"{value:.7f}" if value >= 0 else f"({value:.7f})"


def _wrapped(text: str, first: str = "", others: str = "") -> list[str]:
    import textwrap

    return textwrap.wrap(
        text,
        100,
        initial_indent=first,
        subsequent_indent=others,
        break_long_words=False,
        break_on_hyphens=False,
    )
