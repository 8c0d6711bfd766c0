"""The screens and what is done on them, from nothing to a verdict: words, figures, corrections, undo, hostile text."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from speedlog.logbook import rows
from speedlog.logbook.amend import amendments
from tests.pit.conftest import DAY, SAMPLE, Pit, of, text_of


def test_from_an_empty_logbook_to_the_first_verdict(empty: Pit) -> None:
    assert "No pass yet" in text_of(empty.client.get("/"))
    kept = empty.send("p01_front.nmea", "p01_rear.csv")
    page = text_of(empty.client.get(kept.headers["location"]))
    assert "Where is the trap?" in page and "Kept as pass 1" in page
    made = {
        "name": "Oldfen runway",
        "car": "Long Shrike",
        "entry": "520",
        "length": "30",
        "trap": "160.0",
        "unit": "mph",
    }
    done = empty.client.post("/pass/1/course", data=made)
    page = text_of(empty.client.get(done.headers["location"]))
    # the trap figure and place of sample_data/session.toml and course.toml, from which the logs were made
    assert "Trap and logs agree" in page and "The first Trap PB" in page
    row = empty.passes()[0]
    assert (row.trap_text, row.venue, row.session) == (
        "160.0 mph",
        "Oldfen runway",
        "Oldfen runway, 2026-08-22",
    )
    assert row.result is not None and row.result.verdict == "agree"


def test_a_figure_typed_before_the_course_is_known_is_not_lost(empty: Pit) -> None:
    kept = empty.send("p01_front.nmea", trap="160.0", unit="mph")
    answer = empty.client.get(kept.headers["location"])
    assert "160.0 is not kept yet" in text_of(answer)
    form = answer.text.partition('action="/pass/1/course"')[2].partition("</form>")[0]
    assert 'value="160.0"' in form and re.search(r'value="mph" checked', form)


def test_the_first_screen_tells_the_last_pass(two: Pit) -> None:
    answer = two.client.get("/")
    page = text_of(answer)
    assert "<title>Trap figure in doubt – Pass 2</title>" in answer.text
    assert "198.4 mph" in page and "No Trap PB: the figure is in doubt" in page
    assert page.index("Trap figure in doubt") < page.index("Estimate") < page.index("The loggers")
    assert "Still pulling" in page and "p05_rear.csv" in page
    listed = answer.text.partition('class="passes"')[2]
    assert 'href="/compare/1/2"' in listed  # one tap


def test_the_unit_is_remembered_from_the_last_figure(two: Pit) -> None:
    assert re.search(r'value="mph" checked', two.client.get("/").text)
    two.client.post("/pass/2/amend", data={"trap": "0.3600", "unit": "s", "reason": "misheard"})
    assert two.passes()[1].trap_text == "0.3600 s"
    page = two.client.get("/").text
    assert re.search(r'value="s" checked', page) and "read out as 0.3600 s" in text_of(two.client.get("/"))


def test_the_unit_of_speeds_can_be_chosen(two: Pit) -> None:
    two.client.post("/look", data={"unit": "km/h"})
    page = text_of(two.client.get("/pass/1"))
    assert "257.5 km/h" in page  # 160.0 mph = 160 * 1.609344 km/h = 257.495 km/h


def test_a_bare_figure_without_a_unit_is_asked_about(empty: Pit) -> None:
    empty.send("p01_front.nmea")
    made = {"name": "Oldfen", "entry": "520", "length": "30", "trap": "160"}
    answer = empty.client.post("/pass/1/course", data=made)
    assert answer.status_code == 422 and "mph, km/h, m/s or seconds" in text_of(answer)
    assert 'value="Oldfen"' in answer.text and 'value="520"' in answer.text  # what was typed stays


@pytest.mark.parametrize(
    ("typed", "told"),
    [
        ({"trap": "fast", "unit": "mph"}, "is no trap figure"),
        ({"trap": "-5 mph"}, "must be above zero"),
        ({"trap": "187.5 furlongs"}, "is no trap figure"),
        ({"trap": ""}, "No figure was typed"),
        ({"trap": "187.5", "unit": "mph", "setup-wheel_diameter": "round"}, "Wheel diameter: "),
        ({"trap": "187.5", "unit": "mph", "wind": "rather a lot"}, "is not a speed and a direction"),
        ({"trap": "187.5", "unit": "mph", "measured-motor_temp_after": "hot"}, "Motor after: "),
    ],
)
def test_a_mistake_is_told_in_one_line_and_what_was_typed_stays(
    two: Pit, typed: dict[str, str], told: str
) -> None:
    two.client.post("/pass/2/amend", data={"trap": "", "reason": "to be asked for again"})
    answer = two.client.post("/pass/2/figure", data=typed)
    assert answer.status_code == 422
    line = answer.text.partition('id="error">')[2].partition("</p>")[0]
    assert told in line and "\n" not in line and "--" not in line
    for text in typed.values():
        assert not text or f'value="{text}"' in answer.text
    assert two.passes()[1].trap_text is None


def test_no_figure_is_one_tap(two: Pit) -> None:
    two.client.post("/pass/2/amend", data={"trap": "", "reason": "none was read out"})
    assert "What did they read out?" in text_of(two.client.get("/pass/2"))
    assert two.client.post("/pass/2/figure", data={"none": "1", "trap": ""}).status_code == 303
    page = text_of(two.client.get("/pass/2"))
    assert "What did they read out?" not in page and "The logs say" in page and "through the trap" in page
    assert two.passes()[1].no_figure and "none was read out" in page
    # it is kept: another server over the same logbook doesn't ask again
    assert "What did they read out?" not in text_of(of(two.site.keeper.path).client.get("/pass/2"))
    two.client.post("/pass/2/undo", data={"undo": "1"})
    assert "What did they read out?" in text_of(two.client.get("/pass/2"))


def test_only_what_is_new_of_the_set_up_is_kept_as_stated(two: Pit) -> None:
    first = {f"setup-{key}": str(value) for key, value in DAY["pass"][0]["setup"].items()}
    two.client.post("/pass/1/amend", data=first | {"trap": "160.0 mph", "reason": "noted late"})
    two.client.post("/pass/2/amend", data=first | {"trap": "198.4 mph", "reason": "noted late"})
    again = first | {"setup-current_limit": "178", "setup-tyre": "hard, glued"}
    two.client.post("/pass/2/amend", data=again | {"trap": "198.4 mph", "reason": "noted late"})
    row = two.passes()[1]
    assert row.setup["current_limit"] == "178 A" and row.setup["gear_ratio"] == 1.0
    page = text_of(two.client.get("/pass/2"))
    assert "Changed: tyres medium, glued → hard, glued; current limit 95 A → 178 A" in page


def test_a_correction_keeps_the_old_value_and_can_be_undone(two: Pit) -> None:
    answer = two.client.post("/pass/2/amend", data={"trap": "189.4", "unit": "mph", "reason": "misheard"})
    page = text_of(two.client.get(answer.headers["location"]))
    assert "Put right: trap figure 198.4 mph → 189.4 mph" in page and "Trap and logs agree" in page
    with two.site.keeper.book() as book:
        last = [item for item in amendments(book, 2) if item.field == "trap_text"][-1]
    assert (last.old, last.new, last.reason) == ("198.4 mph", "189.4 mph", "misheard")
    answer = two.client.post("/pass/2/undo", data={"undo": "1"})
    assert "Undone" in text_of(two.client.get(answer.headers["location"]))
    assert two.passes()[1].trap_text == "198.4 mph"
    two.client.post("/pass/2/undo", data={"undo": "1"})  # an undo is a correction, and undone like one
    assert two.passes()[1].trap_text == "189.4 mph"


def test_set_up_wind_and_note_are_undone_together(two: Pit) -> None:
    data = {
        "trap": "198.4 mph",
        "setup-tyre": "hard",
        "wind": "3 m/s from 250",
        "note": "slid a bit",
        "reason": "late",
    }
    two.client.post("/pass/2/amend", data=data)
    assert (two.passes()[1].setup["tyre"], two.passes()[1].note) == ("hard", "slid a bit")
    assert two.client.post("/pass/2/undo", data={"undo": "1"}).status_code == 303
    row = two.passes()[1]
    assert (
        "tyre" not in row.setup
        and row.note == ""
        and "wind" not in row.weather
        and row.trap_text == "198.4 mph"
    )


def test_nothing_to_undo_is_told(two: Pit) -> None:
    """Pass 2 came with its figure: of it nothing was changed, and the day's course is the day's."""
    fresh = two.client.post("/pass/2/undo", data={"undo": "1"})
    assert fresh.status_code == 422 and "nothing that can be undone" in text_of(fresh)
    stale = two.client.post("/pass/2/undo", data={"change": "999999"})
    assert stale.status_code == 422 and "no such change" in text_of(stale)


def test_the_first_course_is_undone_with_its_figure(two: Pit) -> None:
    """They were typed in one go: both go, and both are asked for again."""
    answer = two.client.post("/pass/1/undo", data={"undo": "1"})
    page = text_of(two.client.get(answer.headers["location"]))
    assert "course Oldfen runway → none" in page and "Where is the trap?" in page
    assert two.passes()[0].trap_text is None and two.passes()[0].session == "2026-08-22"
    two.client.post("/pass/1/undo", data={"undo": "1"})
    assert "Trap and logs agree" in text_of(two.client.get("/pass/1"))


def test_what_was_measured_is_put_right_and_undone(two: Pit) -> None:
    kept = {"trap": "198.4 mph", "reason": "typed wrong"}
    two.client.post("/pass/2/amend", data=kept | {"measured-motor_temp_after": "61"})
    two.client.post("/pass/2/amend", data=kept | {"measured-motor_temp_after": "16"})
    assert dict(two.passes()[1].measured) == {"motor_temp_after": "16 °C"}
    assert "motor after 61 °C → 16 °C" in text_of(two.client.get("/pass/2"))
    two.client.post("/pass/2/undo", data={"undo": "1"})
    assert dict(two.passes()[1].measured) == {"motor_temp_after": "61 °C"}
    two.client.post("/pass/2/amend", data=kept | {"measured-motor_temp_after": ""})  # taken out
    assert dict(two.passes()[1].measured) == {}
    two.client.post("/pass/2/undo", data={"undo": "1"})
    assert dict(two.passes()[1].measured) == {"motor_temp_after": "61 °C"}


def test_an_older_change_is_undone_from_the_list_of_changes(two: Pit) -> None:
    kept = {"trap": "198.4 mph", "reason": "noted late"}
    two.client.post("/pass/2/amend", data=kept | {"setup-tyre": "hard"})
    two.client.post("/pass/2/amend", data=kept | {"setup-tyre": "hard", "note": "slid"})
    page = two.client.get("/pass/2/amend").text
    keys = re.findall(r'name="change" value="(\d+)" aria-label="Undo: ([^"]+)"', page)
    assert [text for _, text in keys] == ["note", "tyres hard"]
    two.client.post("/pass/2/undo", data={"change": keys[1][0]})
    row = two.passes()[1]
    assert "tyre" not in row.setup and row.note == "slid"


def test_number_and_logs_are_put_right_too(two: Pit) -> None:
    kept = {"trap": "198.4 mph", "reason": "typed wrong"}
    assert two.client.post("/pass/2/amend", data=kept | {"number": "5"}).status_code == 303
    assert two.passes()[1].number == 5
    for number, told in (("1", "is that of pass 1 already"), ("first", "no number of a pass")):
        answer = two.client.post("/pass/2/amend", data=kept | {"number": number})
        assert answer.status_code == 422 and told in text_of(answer)
    two.client.post("/pass/2/amend", data={"part": "p05_rear.csv", "reason": "not of this pass"})
    assert (
        "p05_rear.csv"
        not in text_of(two.client.get("/pass/2")).partition("The loggers")[2].partition("The car")[0]
    )
    two.client.post("/pass/2/undo", data={"undo": "1"})
    assert "p05_rear.csv" in text_of(two.client.get("/pass/2"))


def test_a_day_is_put_right_with_its_weather_and_undone(two: Pit) -> None:
    page = two.client.get("/day/1")
    assert "all its 2 passes" in text_of(page) and 'value="Oldfen runway, 2026-08-22"' in page.text
    data = {"name": "Oldfen runway, 2026-08-22", "date": "2026-08-22", "car": "Long Shrike", "course": "1",
            "weather-temperature": "12,5", "weather-wind": "3 m/s from 250"}  # fmt: skip
    answer = two.client.post("/day/1", data=data)
    assert "Put right: car none → Long Shrike; the day's temperature none → 12,5 °C" in text_of(
        two.client.get(answer.headers["location"])
    )
    assert {row.car for row in two.passes()} == {"Long Shrike"}
    assert two.passes()[0].weather == {"temperature": "12,5 °C", "wind": "3 m/s from 250"}
    two.client.post("/day/1/undo", data={"undo": "1"})
    assert {row.car for row in two.passes()} == {""} and two.passes()[0].weather == {}
    for name, text, told in (("weather-temperature", "warm", "Temperature"), ("date", "22.8.", "not a date")):
        answer = two.client.post("/day/1", data=data | {name: text})
        assert answer.status_code == 422 and told in text_of(answer) and f'value="{text}"' in answer.text
    assert two.client.get("/day/9").status_code == two.client.post("/day/9", data=data).status_code == 404


def test_a_day_is_begun_with_its_weather(empty: Pit) -> None:
    made = empty.client.post("/day", data={"car": "Long Shrike", "date": "2026-08-22", "course": "",
                                           "weather-temperature": "12"})  # fmt: skip
    assert made.status_code == 303
    with empty.site.keeper.book() as book:
        assert dict(rows.session_row(book, 1).weather) == {"temperature": "12 °C"}
    answer = empty.client.post(
        "/day", data={"car": "Another", "date": "2026-08-22", "weather-humidity": "wet"}
    )
    assert answer.status_code == 422 and 'value="wet"' in answer.text


def test_a_pass_set_aside_leaves_the_list_and_comes_back(two: Pit) -> None:
    two.client.post("/pass/2/amend", data={"aside": "yes", "reason": "no pass after all"})
    assert [row.id for row in two.passes()] == [1]
    assert "set aside" in text_of(two.client.get("/pass/2"))
    assert "Trap and logs agree" in text_of(two.client.get("/"))  # the last pass is the first now
    two.client.post("/pass/2/amend", data={"aside": "no", "reason": "is a pass after all"})
    assert [row.id for row in two.passes()] == [1, 2]


def test_two_passes_side_by_side(two: Pit) -> None:
    page = two.client.get("/compare/1/2")
    assert page.status_code == 200 and "Speed over distance" in page.text
    assert "faster than pass 1 by the loggers' estimates, as a trap figure is in doubt" in text_of(page)


def test_charts_come_after_the_verdict_and_say_what_they_show(two: Pit) -> None:
    assert (
        "<path" not in two.client.get("/pass/1").text.partition('id="charts"')[2].partition("</section>")[0]
    )
    part = two.client.get("/pass/1/charts", headers={"x-pit": "part"})
    assert "<html" not in part.text and part.text.count("<figcaption>") == 2
    assert "By the estimate it entered the trap at" in text_of(part)
    assert "<html" in two.client.get("/pass/1/charts").text


def test_a_day_and_a_car_are_begun_in_the_page(two: Pit) -> None:
    assert "Oldfen runway" in two.client.get("/day").text
    data = {"car": "Short Shrike", "date": "2026-08-22", "course": "1", "name": ""}
    answer = two.client.post("/day", data=data)
    assert "Begun: Oldfen runway, 2026-08-22, Short Shrike" in text_of(
        two.client.get(answer.headers["location"])
    )
    two.send("p02_front.nmea", trap="170.2", unit="mph")
    row = next(row for row in two.passes() if row.trap_text == "170.2 mph")
    assert (row.car, row.venue) == ("Short Shrike", "Oldfen runway")
    again = two.client.post("/day", data=data)
    assert again.status_code == 422 and "already" in text_of(again) and 'value="Short Shrike"' in again.text
    for bad in ({"date": "tomorrow"}, {"car": ""}, {"car": "x" * 90}):
        assert two.client.post("/day", data=data | bad).status_code == 422


HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7 * 7 }}{% raw %}",
    "\u202eabc\u2066def",
    "=HYPERLINK(1)",
    "é" * 5_000,  # 10 kB
)


@pytest.mark.parametrize(
    "text", HOSTILE, ids=["script", "image", "template", "right-to-left", "formula", "long"]
)
def test_hostile_names_and_notes_are_only_text(two: Pit, text: str) -> None:
    told = {"trap": "198.4 mph", "note": text, "setup-tyre": text[:150], "reason": text}
    sent = two.client.post("/pass/2/amend", data=told)
    assert sent.status_code == 303
    begun = two.client.post("/day", data={"car": text, "date": "2026-08-23", "name": text, "course": "1"})
    assert begun.status_code == (422 if len(text) > 80 else 303)
    for path in (sent.headers["location"], "/pass/2", "/pass/2/amend", "/days", "/day", "/compare/1/2", "/"):
        page = two.client.get(path).text
        assert "<script>alert" not in page and "<img" not in page
        assert not re.search("[\u202a-\u202e\u2066-\u2069]", page.partition("<textarea")[0])
        assert (
            "49" not in re.sub(r"<[^>]+>|[\d.]+(?=\d)", "", page)
            or "{{ 7 * 7 }}" in page
            or text != HOSTILE[2]
        )
    with two.site.keeper.book() as book:
        assert len(rows.pass_row(book, 2).note) <= 2_000


def test_a_course_file_is_taken_as_it_is(empty: Pit) -> None:
    data = (SAMPLE / "course.toml").read_bytes()
    answer = empty.client.post("/course", files={"logs": ("course.toml", data)})
    assert "Course kept: Oldfen runway" in text_of(empty.client.get(answer.headers["location"]))
    empty.send("p01_front.nmea", trap="160.0", unit="mph")
    assert empty.passes()[0].venue == "Oldfen runway"
    bad = empty.client.post("/course", files={"logs": ("course.toml", b"name = 3")})
    assert bad.status_code == 422 and "course.toml: " in text_of(bad) and "/tmp" not in text_of(bad)


def test_a_day_of_lines_tells_what_is_done_and_where_to_go(empty: Pit) -> None:
    import json

    data = {"logs": ("p01_front.nmea", (SAMPLE / "p01_front.nmea").read_bytes())}
    answer = empty.client.post("/files", files=data, headers={"x-pit": "lines"})
    lines = [json.loads(line) for line in answer.text.splitlines()]
    assert lines[0]["say"].startswith("Received") and lines[-1]["go"].startswith("/pass/1?told=")
    bad = empty.client.post("/files", files={"logs": ("x.csv", b"no log\n")}, headers={"x-pit": "lines"})
    last = json.loads(bad.text.splitlines()[-1])
    assert "x.csv: " in last["say"] and "x.csv" in text_of(empty.client.get(last["go"]))


def test_news_counts_what_was_kept(two: Pit) -> None:
    before = two.client.get("/news").json()
    two.send("p02_front.nmea")
    after = two.client.get("/news").json()
    assert after["count"] == before["count"] + 1 and after["busy"] == ""


def test_no_place_is_shown(two: Pit) -> None:
    """Distances along the line only; the course's start is 53.1 N 1.2 W (sample_data/course.toml)."""
    for path in ("/", "/pass/1", "/pass/1/charts", "/days", "/course", "/day", "/compare/1/2"):
        page = two.client.get(path).text
        assert (
            "53.100" not in page
            and "-1.200" not in page
            and str(Path(two.site.keeper.path).parent) not in page
        )


def test_a_figure_typed_meanwhile_on_a_phone_is_not_overwritten(two: Pit) -> None:
    """Two screens asked for the figure of the same pass: the second is told, an empty one takes nothing out."""
    late = two.client.post("/pass/2/figure", data={"trap": "189.4", "unit": "mph"})
    assert late.status_code == 422 and "198.4 mph is kept already" in text_of(late)
    assert two.client.post("/pass/2/figure", data={"trap": "", "note": "slid"}).status_code == 303
    assert (two.passes()[1].trap_text, two.passes()[1].note) == ("198.4 mph", "slid")
    assert two.client.post("/pass/2/figure", data={"trap": "198.4", "unit": "mph"}).status_code == 303


def test_the_reports_are_files_to_save(two: Pit) -> None:
    """They carry their own script, so they are never shown under this page's address."""
    assert 'href="/report/1"' in two.client.get("/days").text
    for path, title in (("/report/1", "Oldfen runway, 2026-08-22"), ("/season", "Season")):
        answer = two.client.get(path)
        assert answer.status_code == 200 and title in answer.text
        assert answer.headers["content-disposition"].startswith("attachment; filename*=UTF-8''")
    assert two.client.get("/report/99").status_code == 404
