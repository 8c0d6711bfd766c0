"""The fast NMEA reader gives what the careful one gives, on whole, generated and damaged logs."""

from __future__ import annotations

import random
from functools import reduce

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from speedlog.importers import nmea_fast, nmea_sentence
from speedlog.importers.ascii_words import PAD, Text
from speedlog.importers.nmea_lines import Tags, read_lines
from speedlog.samples import Recording
from tests.importers.nmea_careful import assert_alike, read
from tests.importers.nmea_text import clean_log, framed, gga, log_of, rmc

# Fields at the edges of what the fast reader understands, and far outside.
FIELDS = [
    "", "0", "00", "000", "1", "2", "3", "47", "4.7", "-1.5", "-0.0", ".5", "5.", ".", "-", "+1", "1e3", " 12", "A",
    "V", "E", "S", "N", "AAN", "DNS", "M", "1234.5678", "123456789.5", "12345678", "1234567890123456", "1.2.3",
    "240000", "235960", "235959.999", "000000", "120000.", "120000.123456789", "120000.1234567891", "12000",
    "310299", "290224", "290223", "2024", "5306.0", "5360.0", "05960.00", "05912.345678901", "506.5", "5306",
]  # fmt: skip


@st.composite
def sentences(draw: st.DrawFn) -> str:
    """One sentence of a kind that is read, or another, near a clock; now and then with an odd field."""
    second = draw(st.integers(0, 6))
    time = f"12000{second // 2}.{second % 2 * 5}0"
    who = draw(st.sampled_from(["GN", "GN", "GN", "GP", "GL"]))
    speed = draw(st.sampled_from(["0.0", "19.438", "123.4", "5", "123.45678"]))
    body = draw(
        st.sampled_from(
            [
                rmc(time, speed)[2:], rmc(time, speed)[2:], gga(time)[2:], gga(time, "4", "06.0001")[2:],
                f"GLL,5306.000,N,00112.000,W,{time},A,D", f"GNS,{time},5306.0,S,00112.0,E,AND,12,0.8,51.0,47.0,,",
                f"ZDA,{time},15,06,2024,00,00", f"VTG,75.0,T,,M,{speed},N,,K,A", "VTG,75.0,74.0,10.0,18.5",
                "GSA,A,3,01,02,03,,,,,,,,,,1.5,0.9,1.2", "GSA,A,2,01,02,03,,,,,,,,,,1.5,99.99,1.2,1",
                "GSV,1,1,04,01,40,083,46,02,17,308,41,12,07,344,,14,22,228,45",
                "GSV,1,1,03,01,40,083,40,1,17,308,9,12,07,344,00,1", f"GST,{time},,,,,1.0,1.0,1.0",
                "TXT,01,01,02,hello",
            ]
        )
    )  # fmt: skip
    if draw(st.integers(0, 7)) == 0:
        parts = body.split(",")
        parts[draw(st.integers(0, len(parts) - 1)) or 1] = draw(st.sampled_from(FIELDS))
        body = ",".join(parts[: draw(st.integers(2, len(parts)))] if draw(st.booleans()) else parts)
    return framed(who + body)


LINE = st.one_of(
    sentences(), sentences(), sentences(), sentences(),
    st.sampled_from(
        ["", "noise", "$GNRMC", "$PUBX,00,1*2A", "!AIVDM,1,1,,A,0,0*11",
         "a$GNGGA,12*55", "$", "*", "\t$G", "$$", "$GNRMC,1*"]
    ),
)  # fmt: skip
ENDS = st.sampled_from(["\r\n", "\r\n", "\r\n", "\r\n", "\n", "\n", "\r", "", " \r\n", "\r\r\n", "\n\n"])
STRETCHES = st.sampled_from([64, 200, 1000, nmea_fast.STRETCH_BYTES])


@st.composite
def damaged_logs(draw: st.DrawFn) -> bytes:
    lines = draw(st.lists(st.tuples(LINE, ENDS), min_size=1, max_size=40))
    data = bytearray("".join(line + end for line, end in lines).encode("ascii"))
    for at, byte in draw(st.lists(st.tuples(st.integers(0, 4000), st.integers(0, 255)), max_size=3)):
        if data:
            data[at % len(data)] = byte
    return bytes(data)


@settings(max_examples=300, deadline=None)
@given(data=damaged_logs(), stretch=STRETCHES)
def test_any_log_reads_alike(data: bytes, stretch: int) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(nmea_fast, "STRETCH_BYTES", stretch)
        assert_alike(read(data), read(data, careful=True))


@pytest.mark.parametrize("seed", range(12))
def test_a_log_with_lines_moved_lost_and_doubled_reads_alike(seed: int) -> None:
    rng = random.Random(seed)
    lines = clean_log(120).splitlines(keepends=True)
    for _ in range(rng.randrange(1, 12)):
        at, other = rng.randrange(len(lines)), rng.randrange(len(lines))
        change = rng.randrange(4)
        if change == 0:
            lines.insert(at, lines[other])
        elif change == 1:
            lines[at], lines[other] = lines[other], lines[at]
        elif change == 2:
            del lines[at]
        else:
            lines[at:at] = lines[max(0, at - 9) : at]
    data = b"".join(lines)
    assert_alike(read(data), read(data, careful=True))


def test_what_a_log_says_later_does_not_reach_back() -> None:
    """Found by the test above: a log without any plain timed sentence, its GSA at the end."""
    two = framed(rmc("120000.00")) + "\r" + framed(rmc("120000.00"))
    data = f"{two}\r\n\r{framed('GNGSA,A,2,01,02,03,,,,,,,,,,1.5,99.99,1.2,1')}\r\n".encode()
    late = f"{two}\r\n{framed('GNGSA,A,2,01,02,03,,,,,,,,,,1.5,99.99,1.2,1')}\r\n".encode() + clean_log(1)
    for log in (data, late):
        assert_alike(read(log), read(log, careful=True))


def test_a_plain_log_never_asks_the_careful_reader(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(text: str) -> None:
        raise AssertionError(text)

    bodies = [
        "GNGSA,A,3,01,02,03,,,,,,,,,,1.5,0.9,1.2,1", "GPGSV,1,1,02,01,40,083,46,02,17,308,",
        "GNVTG,75.0,T,,M,19.4,N,36.0,K,A", "GNZDA,120000.00,15,06,2024,00,00", "GNGST,120000.00,,,,,1.0,1.0,1.0",
        "GNGLL,5306.00000,N,00112.00000,W,120000.00,A,A", "GNGNS,120000.00,5306.0,N,00112.0,W,AAN,12,0.8,51.0,47.0,,",
    ]  # fmt: skip
    data = clean_log() + log_of(rmc("120002.00"), *(body.replace("120000", "120002") for body in bodies))
    monkeypatch.setattr(nmea_sentence.pynmea2.NMEASentence, "parse", refuse)
    found = read(data)
    assert isinstance(found, Recording) and len(found.samples) == 21 and found.rejected == 0


@given(
    st.lists(
        st.sampled_from(FIELDS) | st.from_regex(r"-?[0-9]{0,9}(\.[0-9]{0,9})?", fullmatch=True), min_size=1
    )
)
def test_numbers_are_those_of_float_or_left(texts: list[str]) -> None:
    joined = ",".join(texts) + ","
    ends = np.flatnonzero(np.frombuffer(joined.encode(), dtype=np.uint8) == 44) + PAD
    starts = np.concatenate([[PAD], ends[:-1] + 1])
    values, sound = Text(joined.encode()).numbers(starts, ends)
    for text, value, fine in zip(texts, values, sound, strict=True):
        if fine:
            expected = float(text) if text else float("nan")
            assert repr(float(value)) == repr(expected), text  # repr tells -0.0 from 0.0
        else:
            assert not text.isdecimal() or len(text) > 8, text  # a plain short number is never left


def test_lines_count_every_kind_of_end() -> None:
    data = b"a\rb\r\n\n\r\r\n$GNTXT,1*" + b"%02X\r\n" % reduce(int.__xor__, b"GNTXT,1") + b"c\n"
    lines, after = read_lines(data, Tags(), 1)
    plain = np.flatnonzero(lines.tag >= 0)
    # by hand: a CR, b CRLF, LF, CR, CRLF end lines 1 to 5; the sentence is line 6, "c" line 7
    assert list(lines.number[plain]) == [6] and after == 8


@settings(max_examples=50, deadline=None)
@given(st.data())
def test_whole_seconds_written_many_times_over_read_alike(data: st.DataObject) -> None:
    """A logger of 10 Hz that leaves out fractions; sentences lost, doubled, of two receivers, a date between."""
    kinds = [rmc("{}", "1.{}"), gga("{}"), rmc("{}", "2.{}").replace("GN", "GP"), "GNZDA,{},15,06,2024,00,00",
             "GNVTG,75.0,T,,M,3.{},N,,K,A", "GNRMC,odd,A,5306.0,N,00112.0,W,1.0,75.0,150624,,,A"]  # fmt: skip
    pattern = data.draw(st.lists(st.integers(0, 4), min_size=1, max_size=4))
    bodies = []
    for at in range(data.draw(st.integers(1, 40))):
        for kind in pattern:
            if data.draw(st.integers(0, 14)) == 0:
                kind = data.draw(st.integers(0, 5))
            time = f"1200{at // 10 + data.draw(st.sampled_from([0] * 12 + [1])):02d}"
            bodies.append(kinds[kind].replace("{}", time, 1).replace("{}", str(at)))
    log = log_of(*bodies)
    assert_alike(read(log), read(log, careful=True))


@settings(max_examples=40, deadline=None)
@given(
    data=damaged_logs(), before=st.sampled_from(["12:00:01 ", "\\s:x*11\\", "$", "x*00", ""]),
    after=st.sampled_from([" 41 ms", "*", "$", "$G", "\r", ""]), end=st.sampled_from(["\n", "\r", "\r\n", "", ","]),
    bare=st.booleans(),
)  # fmt: skip
def test_sentences_that_are_not_alone_on_their_lines_read_alike(
    data: bytes, before: str, after: str, end: str, bare: bool
) -> None:
    """A log in which every line is unusual: the sentences are cut out and read at once, alike."""
    lines = [
        line.rpartition(b"*")[0] or line if bare else line for line in (clean_log(12) + data).splitlines()
    ]
    log = b"".join(before.encode() + line + (after + end).encode() for line in lines)
    for stretch in (300, nmea_fast.STRETCH_BYTES):
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(nmea_fast, "STRETCH_BYTES", stretch)
            patch.setattr(nmea_fast, "_BATCH", stretch // 100)
            assert_alike(read(log), read(log, careful=True))


def test_any_number_of_speeds_behind_one_position() -> None:
    """Found by fuzzing: a pass over all of them for each took a minute for 10 MB. A receiver that lost its clock."""
    bodies = [
        rmc("120000.00").replace(",19.438,75.0,", ",,,"),
        "GNVTG,,T,,M,,N,,K,N",
        "GNVTG,75.0,T,,M,19.4,N,36.0,K,A",
    ]
    log = log_of(*bodies, *(f"GNVTG,75.0,T,,M,{at}.0,N,,K,A" for at in range(20_000)), gga("120000.10"))
    found = read(log)
    assert isinstance(found, Recording)
    assert found.samples["speed_mps"].iloc[0] == pytest.approx(
        19.4 * 1852 / 3600
    )  # the first that says a speed
    assert_alike(found, read(log, careful=True))
