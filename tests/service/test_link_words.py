"""Percentiles, what is counted on the way, the verdict in words, and the text that a person at the machine reads."""

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.frame import Frame
from choreo.link.port import BusTrouble
from choreo.link.simulated import run_by_hand
from choreo.service.ear import Ear
from choreo.service.link_figures import LinkReport, Load, NodeFigures, Stranger, percentile
from choreo.service.link_text import report_json, report_lines
from choreo.service.link_verdict import judge
from tests.run.fake import FakeLink
from tests.service.checking import run

MS = 1_000_000

NODE = NodeFigures(
    axis="lift",
    node=14,
    dialect="short_frame",
    what="counted echoes",
    exchanges=300,
    lost=0,
    bound=0.0099361,
    refused=0,
    late=0,
    doubled=0,
    contradicting=0,
    strange=0,
    skipped=None,
    repeated=None,
    min_ns=600_000,
    median_ns=900_000,
    p99_ns=1_300_000,
    max_ns=1_700_000,
    frames_ns=340_000,
    drive_ns=3_000_000,
)
REPORT = LinkReport(
    machine="test stand",
    bit_rate=250_000,
    listened_ns=500 * MS,
    measured_ns=6_000 * MS,
    nodes=(NODE,),
    asked_others=30,
    not_asked=(),
    strangers=(),
    others=(),
    quiet=Load(500 * MS, 0, 0.0, 0.0),
    busy=Load(6_000 * MS, 600, 0.02, 0.025),
    troubles=(),
    error_frames=0,
    fd_frames=0,
    every_ns=20 * MS,
    adapter_ns=0,
)


def with_node(**changes) -> LinkReport:
    return replace(REPORT, nodes=(replace(NODE, **changes), replace(NODE, axis="carriage", node=13)))


@given(st.lists(st.integers(0, 10**9), min_size=1, max_size=400), st.integers(1, 100))
def test_percentiles_are_numpys_nearest_rank(values: list[int], percent: int):
    # numpy gives the definition of facts.md H1, type 1, the name inverted_cdf. Its rank of a float p can be one too
    # high where n p / 100 is whole: there the exact rank counts.
    found = percentile(sorted(values), percent)
    exact = sorted(values)[-(-len(values) * percent // 100) - 1]
    assert found == exact
    if len(values) * percent % 100:
        assert found == np.percentile(values, percent, method="inverted_cdf")


@pytest.mark.parametrize(("percent", "value"), [(5, 11.7), (25, 11.9), (50, 12.1), (75, 12.4), (90, 12.6), (95, 13.9)])
def test_percentiles_of_the_data_set_of_facts(percent: int, value: float):
    # facts.md H1, type 1
    tenths = sorted([121, 118, 124, 120, 119, 126, 122, 117, 123, 139])
    assert percentile(tenths, percent) == round(10 * value)


def test_nothing_has_no_percentile():
    assert percentile([], 50) is None


def test_reports_of_error_frames_stand_for_those_that_were_left_out():
    ear = Ear(FakeLink())
    for what in (
        "error frame: bit error in 129#91.05 from far",
        "error frame: bit error in 129#91.06 from far (and 4 more since the last report)",
        "host is error passive (TEC 128, REC 0)",
    ):
        ear._trouble(what)
    assert ear.troubles == {"error frame: bit error": 6, "host is error passive (TEC 128, REC 0)": 1}
    assert ear.error_frames == 6
    assert ear.fd_frames is None  # nobody counts them here


def test_what_a_link_counts_itself_goes_before_words():
    class Counts:
        error_frames, fd_frames = 17, 3

    link = FakeLink()
    link.counts = Counts()
    ear = Ear(link)
    ear._trouble("error frame")
    assert (ear.error_frames, ear.fd_frames) == (17, 3)


def test_an_event_passes_the_ear_unchanged():
    link = FakeLink()
    ear = Ear(link)
    link.post(BusTrouble("error frame", 5))
    assert run_by_hand(ear.receive_until(10 * MS)) == BusTrouble("error frame", 5)
    ear.submit(Frame(0x141, b"\x12"))
    # 55 bits of a base frame with one byte and no stuff bit (facts.md A1), 10 more with every stuff bit (A4).
    assert (ear.passed.frames, ear.passed.least_bits, ear.passed.most_bits) == (1, 55, 65)


@pytest.mark.parametrize(
    ("report", "headline"),
    [
        (REPORT, "the link is good"),
        (replace(REPORT, nodes=(replace(NODE, exchanges=20, bound=0.14),)), "nothing wrong yet, in too few exchanges"),
        (with_node(lost=1, bound=0.0157), "the link is bad"),
        (with_node(late=1), "the link is bad"),
        (with_node(doubled=1), "the link is bad"),
        (with_node(strange=1), "the link is bad"),
        (with_node(skipped=1, repeated=0), "the link is bad"),
        (replace(REPORT, lost_adapter="gone"), "the link is bad"),
        (replace(REPORT, commanded="commands lift (node 14): enable (14E#31.01)"), "the link is bad"),
        (replace(REPORT, nodes=(replace(NODE, exchanges=0, bound=1.0),)), "nothing was measured"),
        (
            replace(REPORT, strangers=(Stranger(20, "short_frame", True, MS),)),
            "the link is good; on the bus and not declared: 1 node",
        ),
    ],
)
def test_verdicts(report: LinkReport, headline: str):
    verdict = judge(report)
    assert verdict.headline.startswith(headline)
    assert verdict.good is ("good" in headline or "nothing wrong" in headline)


def hints(report: LinkReport) -> str:
    return "\n".join(judge(report).hints)


def test_a_good_link_has_no_hints():
    assert hints(REPORT) == ""


def test_losses_hint_at_wiring_and_length():
    # practice.md P34 (common practice, no source); lengths: facts.md B14 (CiA DS 102 V2.0)
    found = hints(with_node(lost=4, bound=0.03))
    assert found.startswith("Only lift (node 14) loses")
    assert "120 ohm at the two ends" in found
    assert "With power off 60 ohm" in found
    assert "at 250 kbit/s the line may be 250 m long" in found
    assert (
        "1 Mbit/s 25 m, 800 kbit/s 50 m, 500 kbit/s 100 m, 250 kbit/s 250 m, 125 kbit/s 500 m, 50 kbit/s 1000" in found
    )


def test_late_replies_alone_do_not_hint_at_wiring():
    found = hints(with_node(lost=4, late=4, max_ns=40 * MS))
    assert "120 ohm" not in found
    assert "Adapter and computer add up to" in found


def test_a_slow_adapter():
    # practice.md P30 (common practice, no source): 1.9 ms for an 8-byte frame at 115,200 baud
    slow = replace(NODE, min_ns=5 * MS, median_ns=6 * MS, p99_ns=8 * MS, max_ns=9 * MS)
    found = hints(replace(REPORT, nodes=(slow,)))
    assert "Even the quickest reply took 4.66 ms longer than its frames need" in found
    assert "115200 baud needs 1.9 ms" in found
    assert "add up to 5.66 ms to a reply, and the recipe declares nothing: write `adapter: 6 ms` under `bus`" in found
    assert "write `adapter" not in hints(replace(REPORT, nodes=(slow,), adapter_ns=6 * MS))


def test_nobody_answers():
    dead = replace(NODE, lost=300, bound=1.0, min_ns=None, median_ns=None, p99_ns=None, max_ns=None)
    report = replace(REPORT, nodes=(dead, replace(dead, axis="carriage", node=13)))
    assert hints(report).startswith("Nobody answers. In this order: are the drives on; does every node have 250 kbit/s")
    alive = replace(report, strangers=(Stranger(20, "short_frame", True, MS),))
    assert hints(alive).startswith("The bus is alive")


def test_one_node_is_silent_and_another_was_not_declared():
    dead = replace(NODE, lost=30, exchanges=30, bound=1.0, min_ns=None, median_ns=None, p99_ns=None, max_ns=None)
    report = replace(
        REPORT, nodes=(dead, replace(NODE, axis="x", node=3)), strangers=(Stranger(20, "short_frame", True, MS),)
    )
    assert "lift (node 14): look at the drive's power" in hints(report)
    assert "Or it has another number: nobody declared 20." in hints(report)


def test_can_fd_frames_are_no_business_of_this_bus():
    report = replace(REPORT, fd_frames=3)
    assert "Take the CAN FD nodes off this bus" in hints(report)
    assert any("3 CAN FD frames" in word for word in judge(report).words)


def test_an_adapter_that_nobody_acknowledges():
    lost = "14E#12 has been in the adapter for 1.0 s"
    found = hints(replace(REPORT, lost_adapter=lost, ended=f"the adapter is lost: {lost}"))
    assert "do all nodes have 250 kbit/s?" in found
    assert "plug at the computer" in hints(replace(REPORT, lost_adapter="OSError: gone"))


def test_a_bound_is_rounded_up():
    (word, *_) = judge(replace(REPORT, nodes=(replace(NODE, bound=0.01001),))).words
    assert "no more than 1.1 %" in word


def test_the_text_says_the_verdict_first_and_fits_the_terminal():
    checked = run()
    for width in (60, 80, 120):
        lines = list(report_lines(checked.report, checked.verdict, "slcan:/dev/ttyACM0", width))
        assert all(len(line) <= width for line in lines)
        head = " ".join(line.strip() for line in lines[:3])
        assert head.startswith("Two slides, once there on slcan:/dev/ttyACM0 at 500 kbit/s: the link is good")
        assert "Both nodes answered each of their 300 exchanges" in head


def test_the_text_of_a_good_link():
    lines = list(report_lines(REPORT, judge(REPORT), "virtual:stand", 110))
    assert lines == [
        "test stand on virtual:stand at 250 kbit/s: the link is good",
        "  lift (node 14) answered each of its 300 exchanges: with 95 % certainty no more than 1.0 % get lost.",
        "",
        "Nodes: counted echoes, one every 20 ms; times from request to reply; lost at most: 95 % bound; wrong: replies",
        "  that answered nothing",
        "axis  node  exchanges  lost  lost at most  wrong  min ms  median  99 %  max ms",
        "----  ----  ---------  ----  ------------  -----  ------  ------  ----  ------",
        "lift    14        300     0        1.00 %      0    0.60    0.90  1.30    1.70",
        "",
        "Bus",
        "  before anything was sent, 500 ms: no frame",
        "  during the exchanges, 6.0 s: load 2.0 to 2.5 %, 600 frames",
        "  (load is bounded: with no stuff bit at all, and with as many as there could ever be)",
        "  error frames: none reported (adapters on a serial line report none)",
        "  CAN FD frames: none",
        "  other node numbers: 30 asked, none answered",
        "  nobody else was heard",
    ]


def test_the_json_has_every_figure():
    told = json.loads(report_json(REPORT, judge(REPORT), "virtual:stand"))
    assert told["bus"] == "virtual:stand"
    assert told["verdict"] == {
        "good": True,
        "headline": "the link is good",
        "words": [
            "lift (node 14) answered each of its 300 exchanges: with 95 % certainty no more than 1.0 % get lost."
        ],
        "hints": [],
    }
    (node,) = told["nodes"]
    assert (node["axis"], node["node"], node["exchanges"], node["lost"], node["wrong"]) == ("lift", 14, 300, 0, 0)
    assert (node["min_ns"], node["median_ns"], node["p99_ns"], node["max_ns"]) == (600000, 900000, 1300000, 1700000)
    assert told["busy"] == {"span_ns": 6000000000, "frames": 600, "least": 0.02, "most": 0.025}
