"""The picture as text, for the first part of a journal."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.cli.progress import Progress
from choreo.cli.screen.letters import big
from choreo.cli.screen.picture import SAFETY, picture
from choreo.cli.screen.rows import bar, prose, with_its_end
from choreo.cli.screen.state import Glance, span, state_of
from choreo.report.table import width_of

QUESTION = {"k": "operator", "t": 6_385_000_000, "what": "asked", "text": "Is the shelf empty? To go on, type yes"}


def answer(text):
    return {"k": "operator", "t": 6_386_000_000, "what": "answer", "text": text, "by": "operator"}


def assert_big(word, text):
    """The word stands in the text in big letters."""
    rows = text.splitlines()
    first, *others = (row.rstrip() for row in big(word))
    places = [(line, row.index(first)) for line, row in enumerate(rows) if first in row]
    assert any(
        all(rows[line + place][column:].startswith(other) for place, other in enumerate(others, 1))
        for line, column in places
    ), f"{word} is not there in big letters:\n{text}"


# ---- the word ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("until", "word", "says"),
    [
        ('"step_begin"', "CHECKING", "nothing moves yet"),
        ('"scope_begin"', "READY", "any may at any moment"),
        ('"onset"', "MOVING", "near moves"),
        ('"overrun"', "READY", "no axis moves now"),
        ('"k":"frames"', "STOPPING", "all axes are being"),
        ("none of them", "UNPROVEN", "stopped, but NOT PROVEN at"),
    ],
)
def test_the_state_stands_there_in_big_letters_and_in_words(fed, shown, until, word, says):
    text = shown(fed(until))
    assert_big(word, text)
    assert says in " ".join(text.translate({ord("█"): " "}).split())


def test_before_the_journal_is_there_it_waits_and_says_for_what(shown):
    text = shown(Progress(), 98, begun=False, place="runs/shelf/journal.jsonl")
    assert_big("WAITING", text)
    assert "there is no journal yet" in text
    assert "runs/shelf/journal.jsonl" in text


@pytest.mark.parametrize(
    ("code", "outcome", "word"), [(0, "done", "DONE"), (1, "stopped", "FAILED"), (3, "stopped", "STOPPED")]
)
def test_the_end_says_how(fed, shown, code, outcome, word):
    end = {"k": "end", "t": 6_390_000_000, "outcome": outcome, "exit": code, "taken_ns": 6_390_000_000}
    text = shown(fed('"overrun"', end))
    assert_big(word, text)
    assert "3 of 4 steps" not in text
    assert "2 of 4 steps in 6 s" in text  # two have ended in the golden journal by then


def test_stopped_says_every_axis_rests_only_when_the_journal_does(fed):
    end = {"k": "end", "t": 9, "outcome": "stopped", "exit": 3, "taken_ns": 9}
    progress = fed('"overrun"', end)
    assert "does not say of every axis" in state_of(progress, Glance()).says
    for axis in progress.axes:
        axis.state = "at rest"
    assert state_of(progress, Glance()).says.startswith("every axis was proven at rest")


def test_a_journal_that_stopped_growing_takes_the_word_but_not_from_the_end(fed, shown):
    text = shown(fed('"onset"'), silent_s=65.0, since="09:31:22")
    assert_big("SILENT", text)
    assert "nothing was written for 1:05, since" in text
    assert "09:31:22" in text
    assert state_of(fed("none of them"), Glance(silent_s=65.0)).word == "UNPROVEN"
    assert state_of(fed('"onset"'), Glance(silent_s=2.9)).word == "MOVING"


# ---- figures ----------------------------------------------------------------------------------------------------


def test_the_running_step_what_comes_next_and_how_long(fed, shown):
    text = shown(fed('"onset"'))
    # steps of 0.9, 4, 2 and 0.01 s are predicted in the golden journal; the third began 0.17 s ago
    assert "now   3 move" in text
    assert "next  closing 1 disable" in text
    assert "step 3 of 4: 1.8 s left" in text
    assert "run: about 1 s left" in text
    assert "73%" in text


def test_a_step_that_is_late_says_so_and_when_it_gives_up(fed, shown):
    progress = fed('"onset"')
    step = progress.steps[progress.step]
    progress.t_ns = progress.step_began_ns + step.predicted_ns + 500_000_000
    left = (step.timeout_ns - step.predicted_ns) / 1e9 - 0.5
    assert f"0.5 s longer than predicted; it gives up in {left:.1f} s" in shown(progress)


def test_position_target_speed_and_deviation_of_an_axis(fed, shown):
    # At the constant jerk of 4000 mm/s^3 it has gone 4000/6 t^3 after t up to 0.1 s (facts.md E4): 0.3689 mm after
    # 0.0821 s. It is read at 1.25 mm, asked for 0.08 s and answered 0.0821 s after the start, its lag taken off: 0.88
    # off the farther end of that interval. 3413.33 counts are 1.25 mm at 8192/3 a mm.
    progress = fed('"onset"')
    progress.axes[0].readings.clear()
    progress.axes[0].tracking = 3.0
    lag = progress.axes[0].lag_ns
    progress.sample(5_080_000_000 + 2_100_000 + lag, 0, 3413, 2100)
    assert progress.axes[0].deviation == pytest.approx(3413 * 3 / 8192 - 4000 / 6 * 0.0821**3, abs=1e-9)
    row = next(line for line in shown(progress).splitlines() if line.startswith("near"))
    assert row.split()[:3] == ["near", "1.25", "mm"]
    assert "100.00" in row
    assert "0.88 of 3 [" in row
    assert row.rstrip().endswith("moving")
    # 20 ms later 273 counts further: 0.1 mm in 20 ms are 5 mm/s
    progress.sample(5_100_000_000 + 2_100_000 + lag, 0, 3413 + 273, 2100)
    assert progress.axes[0].speed == pytest.approx(273 * 3 / 8192 / 0.02)
    assert " 5.0/s" in shown(progress)


def test_what_is_near_its_limit_is_marked_by_more_than_colour(fed):
    progress = fed('"onset"')
    axis = progress.axes[0]
    axis.tracking = 1.2 * axis.deviation
    rows = picture(progress, Glance(), 80, 24)
    spans = next(row for row in rows if row.text.startswith("near")).spans
    assert any(style == "alarm" and text.startswith("[") for text, style in spans)
    assert any(text.startswith("!") for text, _ in spans)


def test_the_skew_of_a_pair_is_brought_to_one_instant(fed, shown):
    # Both sides go 250 mm/s and are read 5 ms apart: raw they are 1.25 mm apart, at one instant they are together
    # (practice.md P9, common practice, no source).
    progress = fed('"onset"')
    first, second = progress.pairs[0].first, progress.pairs[0].second
    for side in (first, second):
        side.readings.clear()
        side.zero = 0
    for place in range(3):
        t_ns = 5_200_000_000 + place * 20_000_000
        first.readings.append((t_ns, t_ns, round(250 * (t_ns - 5e9) / 1e9 * first.scale)))
        later = t_ns + 5_000_000
        second.readings.append((later, later, round(250 * (later - 5e9) / 1e9 * second.scale)))
    assert progress.pairs[0].skew == pytest.approx(0.0, abs=0.002)
    second.readings[-1] = (*second.readings[-1][:2], round(second.readings[-1][2] + 0.5 * second.scale))
    assert abs(progress.pairs[0].skew) == pytest.approx(0.375, abs=0.002)  # 0.5 mm, three quarters of the way there
    trip = f"{progress.pairs[0].trip:g} mm"
    assert any("0.37" in line and trip in line for line in shown(progress).splitlines() if "skew of" in line)


def test_replies_and_the_load_of_the_bus(fed, shown):
    progress = fed('"onset"')
    row = next(row for row in shown(progress).splitlines() if row.startswith("replies"))
    assert row.startswith("replies 0.5 ms, worst 0.5 ms ")  # ages of the golden readings
    assert row.endswith("   lost 1, late 1")
    progress.sample(5_690_000_000, 0, 3300, 500)
    progress.sample(5_700_000_000, 0, 3300, 900)
    progress.sample(5_710_000_000, 1, -3300, 4200)  # by then the others are older than half a second
    progress.record("lost", 5_720_000_000, {"axis": "far", "what": "x", "after_ns": 2})
    progress.record("lost", 5_720_000_000, {"axis": "far", "what": "x", "after_ns": 2})
    progress.record("traffic", 5_730_000_000, {"span_ns": 5 * 10**8, "frames": 100, "load": 0.34})
    assert "replies 0.9 ms, worst 4.2 ms   bus [███▍      ] 34%   lost 3 (2 just now), late 1\n" in shown(progress, 90)
    narrow = shown(progress, 60).splitlines()
    place = next(place for place, row in enumerate(narrow) if row.startswith("replies"))
    assert narrow[place : place + 2] == [
        "replies 0.9 ms, worst 4.2 ms   bus [███▍      ] 34%",
        "lost 3 (2 just now), late 1",
    ]


def test_findings_come_with_what_to_do(fed, shown):
    text = shown(fed('"k":"frames"'))
    assert "6.4 s  error: far has left 3 requests in a row unanswered, for 60 ms" in text
    assert "Look at this drive's power." in text
    assert "why  far has left" in text
    assert "6.4 s  operator: Ctrl-C" in text


# ---- a question -------------------------------------------------------------------------------------------------


def test_a_question_is_large_and_shows_what_is_typed(fed, shown):
    progress = fed('"overrun"', QUESTION)
    text = shown(progress, typed="ye")
    assert_big("ASKS", text)
    assert "Is the shelf empty? To go on, type yes" in text
    assert "typed: ye_" in text
    assert_big("YE_", shown(progress, 100, 34, typed="ye"))
    assert "in the run's own terminal" in shown(progress, watching=True)


@pytest.mark.parametrize(
    ("said", "open_"), [("yes", False), ("no", False), (" Yes ", False), ("", True), ("perhaps", True)]
)
def test_only_an_answer_ends_it(fed, shown, said, open_):
    progress = fed('"overrun"', QUESTION, answer(said))
    assert bool(progress.question) is open_
    if said == "perhaps":
        assert "'perhaps' does not answer it" in shown(progress)


@pytest.mark.parametrize("kind", ["step_begin", "stopping"])
def test_a_run_that_goes_on_or_stops_has_no_question_left(fed, kind):
    fields = {"step_begin": {"step": 2}, "stopping": {"cause": "x"}}[kind]
    assert not fed('"overrun"', QUESTION, {"k": kind, "t": 7, **fields}).question


def test_of_a_long_question_the_end_stays():
    names = ", ".join(f"axis {number}" for number in range(60))
    lines = with_its_end(f"About to move {names}. To begin, type its name, test wall", 60, 4)
    assert len(lines) == 4
    assert lines[0].startswith("About to move axis 0")
    assert lines[1].endswith("…")
    assert lines[-1].endswith("test wall")


# ---- size, safety, hostile text ---------------------------------------------------------------------------------


@given(st.integers(1, 200), st.integers(1, 70), st.sampled_from(['"step_begin"', '"onset"', '"k":"frames"', "none"]))
def test_it_fits_every_terminal_exactly(columns, lines, until):
    progress = _golden_until(until)
    for glance in (Glance(), Glance(watching=True, silent_s=9.0), Glance(begun=False)):
        rows = picture(progress, glance, columns, lines)
        assert len(rows) == lines
        assert {width_of(row.text) for row in rows} == {columns}


def _golden_until(text):
    from pathlib import Path

    progress = Progress()
    for line in (Path(__file__).parents[2] / "golden" / "journal_v1.jsonl").read_text().splitlines():
        if text in line:
            break
        value = json.loads(line)
        if isinstance(value, list):
            progress.sample(*value[1:])
        else:
            progress.record(value.pop("k"), value.pop("t"), value)
    return progress


@pytest.mark.parametrize("size", [(80, 24), (120, 40), (60, 24), (100, 14)])
@pytest.mark.parametrize("until", ['"step_begin"', '"onset"', '"k":"frames"', "none of them"])
def test_the_word_about_the_stop_always_stands_there(fed, shown, until, size):
    for watching in (False, True):
        text = " ".join(shown(fed(until, QUESTION), *size, watching=watching).split())
        assert SAFETY.casefold() in text.casefold()


def test_sixty_axes_on_a_small_terminal(fed, shown):
    head = _wall(60)
    progress = fed("until nothing")  # the golden one, put aside
    progress = Progress()
    progress.record("run", 0, head)
    for axis in range(60):
        progress.sample(1000 + axis, axis, 0, 500)
    for name in ("p40", "p57"):
        progress.record("move", 2000, _move(name))
    progress.axes[20].state = "NOT PROVEN"
    progress.record("move", 2000, _move("p33"))
    progress.sample(3_000_000_000, 33, 9000, 100)  # it should stand at its target of 4000 counts: 5 mm off
    text = shown(progress)
    shown_axes = [line.split()[0] for line in text.splitlines() if line.startswith("p")]
    assert {"p20", "p33", "p40", "p57"} <= set(shown_axes)
    assert shown_axes == sorted(shown_axes, key=lambda name: int(name[1:]))
    assert f"and {60 - len(shown_axes)} more axes, none of them moving" in text
    wide = shown(progress, 120, 50)
    assert sum(f"p{axis} " in wide for axis in range(60)) == 60
    assert "more axes" not in wide


def _wall(count):
    axis = {"node": 1, "unit": "mm", "counts_per_unit": "1000", "pair": None, "lag_ns": 0}
    limits = {"travel": ["0", "60"], "speed": "40", "tracking": "3"}
    return {
        "title": "Wall",
        "machine": "wall",
        "mode": "live",
        "seed": None,
        "pace": "1",
        "axes": [axis | {"name": f"p{number}"} for number in range(count)],
        "pairs": [],
        "limits": {f"p{number}": limits for number in range(count)},
        "steps": [
            {"id": 0, "path": "1", "verb": "move", "label": None, "predicted_ns": 10**9, "timeout_ns": 2 * 10**9}
        ],
    }


def _move(name):
    counts = {"anchor_counts": 0, "from_counts": 0, "target_counts": 4000}
    return counts | {"axis": name, "t0": 2000, "distance": 4.0, "speed": 40.0, "acceleration": 400.0, "jerk": None}


HOSTILE = "\x1b[2J\x1b]0;owned\x07\u202eevil\r\n\x9b31m"


def test_names_and_words_from_a_journal_never_steer_the_terminal(shown):
    head = _wall(2) | {"title": HOSTILE, "machine": HOSTILE, "pace": HOSTILE}
    head["axes"][0] |= {"name": HOSTILE, "unit": HOSTILE}
    head["steps"][0] |= {"verb": HOSTILE, "label": HOSTILE, "path": HOSTILE}
    head["pairs"] = [{"name": HOSTILE, "axes": [0, 1], "trip": "1", "structural": "2"}]
    progress = Progress()
    progress.record("run", 0, head)
    progress.record("step_begin", 1, {"step": 0})
    progress.record("finding", 2, {"level": HOSTILE, "headline": HOSTILE, "help": HOSTILE})
    progress.record("operator", 3, {"what": "asked", "text": HOSTILE})
    progress.record("operator", 3, {"what": "answer", "text": HOSTILE + "?"})
    for axis in (0, 1, 0, 1):
        progress.sample(4, axis, 5, 6)
    progress.axes[0].state = "moving"
    for text in (shown(progress, 140, 40, typed=HOSTILE), shown(progress, 80, 24, place=HOSTILE)):
        assert all(char.isprintable() for char in text.replace("\n", ""))
    progress.record("stopping", 5, {"cause": HOSTILE})
    text = shown(progress, begun=True) + shown(progress, begun=False, place=HOSTILE)
    assert all(char.isprintable() for char in text.replace("\n", ""))


@pytest.mark.parametrize(
    ("share", "drawn"),
    [(0, "[    ]"), (0.5, "[██  ]"), (0.53125, "[██▏ ]"), (1, "[████]"), (7, "[████]"), (-1, "[    ]")],
)
def test_a_bar_is_drawn_in_eighths(share, drawn):
    assert bar(share, 6) == drawn


@given(st.text(max_size=300), st.integers(1, 60), st.integers(0, 5))
def test_prose_keeps_to_its_room(text, width, most):
    lines = prose(text, width, most)
    assert len(lines) <= most
    assert all(char.isprintable() for line in lines for char in line)


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0 s"), (59.9, "59 s"), (60, "1:00"), (3599, "59:59"), (3725, "1:02:05")]
)
def test_times_as_people_say_them(seconds, text):
    assert span(seconds) == text
