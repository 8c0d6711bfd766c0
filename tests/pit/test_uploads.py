"""Files sent to the page: limits, names, cut-off uploads, the same file twice; nothing half-kept."""

from __future__ import annotations

import io
import os
import tempfile
import threading
import time
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest

from speedlog.logbook import rows
from speedlog.logbook.verify import verify
from speedlog.pit.uploads import Desk, sweep
from speedlog.settings.pit import PitSettings
from tests.pit.conftest import SAMPLE, Pit, text_of
from tests.pit.shifted import shifted


@pytest.fixture(autouse=True)
def _own_temporary_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "temporary"
    folder.mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(folder))


def left_behind(tmp_path: Path) -> list[str]:
    return sorted(path.name for path in (tmp_path / "temporary").iterdir())


def limited(pit: Pit, **limits: float) -> None:
    pit.site.desk = Desk(replace(PitSettings(), **limits))


def test_the_same_files_twice_are_said_to_be_the_same(two: Pit, tmp_path: Path) -> None:
    answer = two.send("p05_front.nmea", "p05_rear.csv")
    assert answer.status_code == 303
    assert "Nothing was kept twice" in text_of(two.client.get(answer.headers["location"]))
    assert two.count("recording") == 4 and len(two.passes()) == 2
    assert left_behind(tmp_path) == []


def test_a_controllers_log_finds_its_pass_with_one_tap(two: Pit) -> None:
    answer = two.send("p02_controller.csv")
    assert answer.status_code == 422
    assert (
        "Not kept yet" in answer.text and "p02_controller.csv" in answer.text and two.count("recording") == 4
    )
    key = answer.text.partition('name="waiting" value="')[2].partition('"')[0]
    assert "p02_controller.csv" in two.client.get(f"/waiting/{key}").text
    sent = two.client.post("/files", files={"logs": ("", b"")}, data={"waiting": key, "to": "2"})
    assert sent.status_code == 303
    with two.site.keeper.book() as book:
        assert "p02_controller.csv" in [item.name for item in rows.recordings(book, 2)]
    assert two.client.get(f"/waiting/{key}").status_code == 404


def test_what_waits_is_dropped_when_others_come(empty: Pit, tmp_path: Path) -> None:
    limited(empty, waiting_kept=2)
    for number in range(4):
        assert empty.send_bytes({f"{number}.csv": b"no log at all\n"}).status_code == 422
    assert len(left_behind(tmp_path)) == 2
    empty.site.desk.close()
    assert left_behind(tmp_path) == []


def test_the_figure_stays_typed_where_the_logs_are_refused(two: Pit) -> None:
    answer = two.send_bytes({"x.csv": b"no log\n"}, trap="187.5", unit="km/h")
    assert answer.status_code == 422 and 'value="187.5"' in answer.text
    assert "x.csv: " in text_of(answer) and str(Path(tempfile.gettempdir())) not in answer.text


def test_no_file_at_all_is_told(empty: Pit) -> None:
    answer = empty.client.post("/files", files={"logs": ("", b"")})
    assert answer.status_code == 422 and "No file was chosen" in answer.text


@pytest.mark.parametrize(
    "name",
    ["../../outside.nmea", "..\\..\\outside.nmea", "/etc/outside.nmea", "C:\\outside.nmea", "con.nmea",
     "a" * 2000 + ".nmea",
     "<script>alert(1)</script>.nmea", "\u202elog.nmea", "=cmd|' /C calc'!A0.nmea"],
)  # fmt: skip
def test_a_hostile_file_name_becomes_a_plain_one(empty: Pit, tmp_path: Path, name: str) -> None:
    answer = empty.send_bytes({name: b"no log\n"})
    key = answer.text.partition('name="waiting" value="')[2].partition('"')[0]
    waiting = empty.site.desk.waiting(key)
    assert answer.status_code == 422 and waiting is not None
    path = waiting.files[0]
    assert path.parent.parent == tmp_path / "temporary" and path.parent.name.startswith("speedlog-pit-")
    assert not set(path.name) & set('/\\<>:|"\u202e') and len(path.name) < 130
    assert not path.name.startswith(("=", "."))
    assert list(tmp_path.glob("**/*.nmea")) == [path]
    for page in (answer, empty.client.get(f"/waiting/{key}")):
        assert "<script>alert" not in page.text and "\u202e" not in page.text


def test_too_many_bytes_are_refused_and_nothing_is_left(empty: Pit, tmp_path: Path) -> None:
    limited(empty, biggest_upload_mb=0.05)
    answer = empty.send_bytes({"big.nmea": b"x" * 100_000})
    assert answer.status_code == 413 and "Nothing was kept" in text_of(answer)
    assert left_behind(tmp_path) == [] and empty.count("content") == 0
    just = empty.send_bytes({"small.nmea": b"x" * 40_000})
    assert just.status_code == 422  # small enough, and no log


def test_a_length_that_is_too_big_is_refused_before_it_is_read(empty: Pit) -> None:
    for length, status in ((str(10**12), 413), ("9" * 5000, 413), ("-1", 400), ("1e3", 400), ("١٢", 400)):
        headers = [(b"content-length", length.encode())]
        assert empty.client.post("/files", content=b"", headers=headers).status_code == status


def test_too_many_files_or_fields_are_refused(empty: Pit) -> None:
    limited(empty, most_files=2, most_fields=3, longest_field=50)
    three = {f"{k}.nmea": b"x" for k in range(3)}
    assert empty.send_bytes(three).status_code == 413
    assert empty.send_bytes({"a.nmea": b"x"}, **{f"f{k}": "x" for k in range(4)}).status_code == 413
    assert empty.send_bytes({"a.nmea": b"x"}, note="y" * 51).status_code == 413
    assert empty.client.post("/day", data={f"f{k}": "x" for k in range(4)}).status_code == 413
    assert empty.client.post("/day", data={"car": "y" * 500}).status_code == 413


def test_too_many_uploads_at_once_wait_outside(empty: Pit) -> None:
    limited(empty, most_uploads=0)
    assert empty.send_bytes({"a.nmea": b"x"}).status_code == 503


@pytest.mark.parametrize("kind", ["text/plain", "", "multipart/form-data", "multipart/form-data; boundary="])
def test_what_is_no_form_is_told(empty: Pit, kind: str) -> None:
    answer = empty.client.post("/files", content=b"--x\r\nrubbish", headers={"content-type": kind})
    assert answer.status_code == 422


def test_an_upload_that_is_cut_off_leaves_nothing(empty: Pit, tmp_path: Path) -> None:
    data = (SAMPLE / "p01_front.nmea").read_bytes()
    head = b'--cut\r\nContent-Disposition: form-data; name="logs"; filename="a.nmea"\r\n\r\n'
    whole = head + data + b"\r\n" + head.replace(b"a.nmea", b"b.nmea") + data[:50_000]
    for content in (head + data[:50_000], whole, whole + b"\r\n--cut"):
        answer = empty.client.post(
            "/files", content=content, headers={"content-type": "multipart/form-data; boundary=cut"}
        )
        assert answer.status_code == 422 and "Nothing was kept" in text_of(answer)
    assert empty.count("content") == 0 and left_behind(tmp_path) == []


def test_what_a_killed_server_left_is_swept_when_it_is_old(tmp_path: Path) -> None:
    folder = tmp_path / "temporary"
    old, new, other = (folder / name for name in ("speedlog-pit-old", "speedlog-pit-new", "elsewhere"))
    for path in (old, new, other):
        path.mkdir()
        (path / "log.nmea").write_bytes(b"x")
    past = time.time() - PitSettings().leftover_s
    os.utime(old, (past - 10, past - 10))
    os.utime(new, (past + 60, past + 60))
    os.utime(other, (past - 10, past - 10))
    sweep(PitSettings())
    assert [path.exists() for path in (old, new, other)] == [False, True, True]


def test_eight_at_once_are_all_kept(two: Pit) -> None:
    """Eight passes, 11 minutes apart, sent at the same time."""
    files = [{f"phone{k}.nmea": shifted("p04_rear.nmea", minutes=11 * k)} for k in range(8)]
    answers: list[int] = []
    threads = [
        threading.Thread(target=lambda one=one: answers.append(two.send_bytes(one).status_code))
        for one in files
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert answers == [303] * 8
    assert len(two.passes()) == 2 + 8 and len({row.number for row in two.passes()}) == 10
    with two.site.keeper.book() as book:
        assert verify(book).sound


def test_a_zip_dropped_on_the_page_is_kept_as_its_logs(two: Pit, tmp_path: Path) -> None:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in ("p06_front.nmea", "p06_rear.csv"):
            archive.write(SAMPLE / name, f"card/{name}")
        archive.writestr("card/photo<b>.jpg", b"\xff\xd8\xff\xe0" * 20)
    answer = two.send_bytes({"card.zip": packed.getvalue()})
    assert answer.status_code == 303
    page = two.client.get(answer.headers["location"])
    assert "1 file in card.zip passed over, being no log: photo_b_.jpg" in text_of(page)
    with two.site.keeper.book() as book:
        kept = {item.name for row in rows.passes(book) for item in rows.recordings(book, row.id)}
    assert {"p06_front.nmea", "p06_rear.csv"} <= kept and "card.zip" not in kept
    assert left_behind(tmp_path) == []
