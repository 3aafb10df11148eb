"""What stands at the top of the two files, versions, and the file that a recipe may name."""

import os

import pytest

STEPS = "steps:\n  - enable: all\n"


@pytest.mark.parametrize(
    ("version", "rule", "text"),
    [
        ("choreo: 2", "other-version", "2"),
        ("choreo: 0", "other-version", "0"),
        ("choreo: 1.0", "wrong-type", "1.0"),
        ("choreo: one", "wrong-type", "one"),
        ("choreo:", "wrong-type", "choreo"),
        ("choreo: [1]", "wrong-type", "[1]"),
        ("# nothing", "missing-version", "title"),
    ],
)
def test_the_version_of_the_language_is_looked_at_first(bench, version, rule, text):
    assert bench.found(STEPS, head=f"{version}\ntitle: t\nmachine: machine.yaml\n") == [(rule, text)]


def test_of_a_newer_file_nothing_else_is_judged(bench):
    refusal = bench.refusal("stages:\n  - fly: now\n", head="choreo: 7\n")
    (finding,) = refusal.findings
    assert finding.rule == "other-version"
    assert "version 7" in finding.headline
    assert "version 1" in finding.headline
    bench.machine("choreo: 1", "choreo: 7")
    assert bench.found("stepps: 1\n") == [("other-version", "7")]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        ("stepz: []\n" + STEPS, [("unknown-key", "stepz")]),
        ("title: x\n" + STEPS, [("duplicate-key", "title")]),
        ("limits: 5\n" + STEPS, [("wrong-type", "5")]),
        ("limits:\n" + STEPS, [("wrong-type", "limits")]),
        ("limits: {beam: 5 mm/s}\n" + STEPS, [("wrong-type", "5 mm/s")]),
        ("positions: [park]\n" + STEPS, [("wrong-type", "[park]")]),
        ("positions: {park: 5 mm}\n" + STEPS, [("wrong-type", "5 mm")]),
        ("positions: {park: {beam: 5}}\n" + STEPS, [("unit-missing", "5")]),
        ("positions: {park: {beem: 5 mm}}\n" + STEPS, [("unknown-axis", "beem")]),
        ("positions: {park: {beam: 5 mm, left: 5 mm}}\n" + STEPS, [("named-twice", "left")]),
        ("positions: {all: {beam: 5 mm}}\n" + STEPS, [("bad-name", "all")]),
        ("positions: {to: {beam: 5 mm}}\n" + STEPS, [("bad-name", "to")]),
        ("positions: {top left: {beam: 5 mm}}\n" + STEPS, [("bad-name", "top left")]),
        ("closing: later\n" + STEPS, [("wrong-type", "later")]),
    ],
)
def test_the_top_of_a_recipe(bench, body, expected):
    assert bench.found(body) == expected


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("name: bench\n", "", [("missing-key", "choreo")]),
        ("name: bench", "name:", [("missing-value", "name")]),
        ("name: bench", "name: bench\nmachine: other.yaml", [("not-for-a-machine", "machine")]),
        ("name: bench", "name: bench\nsteps: []", [("not-for-a-machine", "steps")]),
        ("name: bench", "name: bench\nlimit: {}", [("unknown-key", "limit")]),
        ("poll: 50 Hz", "poll: 50", [("unit-missing", "50")]),
        ("poll: 50 Hz", "poll: $rate", [("bad-reference", "$rate")]),
        ("bit_rate: 500 kbit/s", "bit_rate: 2 Mbit/s", [("out-of-range", "2 Mbit/s")]),
        ("node: 4", "node: 3", [("node-taken", "3")]),
        ("node: 4, ", "", [("missing-key", "right")]),
        ("node: 4", "node: 0", [("out-of-range", "0")]),
        ("inverted: true", "inverted: yes", [("wrong-type", "yes")]),
        ("inverted: true", "inverted: 'true'", [("wrong-type", "'true'")]),
        ("unit: deg", "unit: degree", [("unknown-word", "degree")]),
        ("load: vertical", "load: vertikal", [("unknown-word", "vertikal")]),
        ("like: left", "like: lefft", [("unknown-axis", "lefft")]),
        ("like: left", "like: right", [("like-in-a-circle", "right")]),
        ("axes: [left, right]", "axes: [left]", [("wrong-length", "[left]")]),
        ("axes: [left, right]", "axes: [left, right, lift]", [("wrong-length", "[left, right, lift]")]),
        ("axes: [left, right]", "axes: [left, table]", [("units-of-a-pair", "beam")]),
        ("axes: [left, right]", "axes: [left, left]", [("named-twice", "left")]),
        ("axes: [left, right]", "axes: [left, beam]", [("unknown-axis", "beam")]),
        (
            "  beam: {axes:",
            "  b: {axes: [left, lift], skew: {trip: 1 mm, structural: 2 mm}}\n  beam: {axes:",
            [("in-two-pairs", "left")],
        ),
        ("trip: 1.5 mm, ", "", [("missing-key", "skew")]),
        ("home_at: {left: -5 mm, right: -4.5 mm}", "home_at: {left: -5 mm}", [("missing-key", "left")]),
        (
            "home_at: {left: -5 mm, right: -4.5 mm}",
            "home_at: {left: 0 mm, right: 0 mm, lift: 0 mm}",
            [("unknown-axis", "lift")],
        ),
        ("home_at: {left: -5 mm, right: -4.5 mm}", "home_at: -5", [("unit-missing", "-5")]),
        ("square_limit: 3 mm, ", "", [("missing-key", "beam")]),
        ("  lift: {towards", "  all: {towards", [("missing-key", "all")]),  # its pair needs a square_limit
        ("  lift: {towards", "  left: {towards", [("homed-by-half", "left")]),
        ("home_at: 410 mm", "home_at: 410 mm, square_limit: 3 mm", [("not-for-one-axis", "3 mm")]),
        ("towards: positive", "towards: up", [("unknown-word", "up")]),
        ("homing_order: [lift, [beam]]", "homing_order: lift", [("wrong-type", "lift")]),
        ("homing_order: [lift, [beam]]", "homing_order: [lift, [beam, left]]", [("named-twice", "left")]),
        ("homing_order: [lift, [beam]]", "homing_order: [lfit]", [("unknown-axis", "lfit")]),
        ("travel: [-20 mm, 400 mm]", "travel: [400 mm, -20 mm]", [("empty-travel", "-20 mm")]),
        ("speed: 90 mm/s", "speed: 90 deg/s", [("wrong-dimension", "90 deg/s")]),
        ("speed: 90 mm/s, ", "", [("limit-missing", "lift")]),
        ("  lift: {speed: 20 mm/s, distance: 500 mm}\n", "", [("limit-missing", "lift")]),
        ("  all: {}", "  every: {}", [("unknown-axis", "every")]),
        ("dialect: short_frame, unit: deg", "dialect: ./none.yaml, unit: deg", [("file-missing", "./none.yaml")]),
        ("dialect: short_frame, unit: deg", "dialect: .., unit: deg", [("bad-name", "..")]),
        ("name: bench", "name: bench\nsimulated: ../kiln", [("bad-name", "../kiln")]),
        ("dialect: short_frame, unit: deg", "dialect: ../d.yaml, unit: deg", [("path-outside", "../d.yaml")]),
    ],
)
def test_what_is_wrong_in_a_machine_file_is_found_there(bench, old, new, expected):
    bench.machine(old, new)
    assert bench.found(STEPS) == expected


def test_an_axis_and_a_pair_cannot_have_one_name(bench):
    bench.machine("  beam: {axes:", "  lift: {axes:")
    assert ("name-taken", "lift") in bench.found(STEPS)


def test_a_machine_without_its_sections(bench):
    bench.write("machine.yaml", "choreo: 1\nname: bare\n")
    assert bench.found("steps:\n  - home: lift\n") == [("missing-key", "choreo"), ("missing-key", "choreo")]
    bench.write("machine.yaml", "choreo: 1\nname: bare\nbus: {bit_rate: 1 Mbit/s, poll: 50 Hz}\naxes: {}\n")
    assert bench.found(STEPS) == [("empty-mapping", "choreo")]


def test_a_recipe_without_any_machine(bench):
    refusal = bench.refusal(STEPS, head="choreo: 1\ntitle: t\n")
    assert [finding.rule for finding in refusal.findings] == ["missing-key", "missing-key"]
    assert all("machine" in finding.help for finding in refusal.findings)


@pytest.mark.parametrize(
    ("named", "rule"),
    [
        ("../machine.yaml", "path-outside"),
        ("sub/../../machine.yaml", "path-outside"),
        ("/etc/passwd", "path-outside"),
        ("C:\\\\machines\\\\m.yaml", "path-outside"),
        ("\\\\\\\\host\\\\share\\\\m.yaml", "path-outside"),
        ("link.yaml", "path-outside"),
        ("linked/machine.yaml", "path-outside"),
        ("none.yaml", "file-missing"),
        ("sub", "file-missing"),
        ("round.yaml", "file-missing"),
        ("x" * 5000, "file-missing"),
    ],
)
def test_a_machine_file_lies_in_the_folder_of_the_recipe_or_below(tmp_path, bench, named, rule):
    outside = tmp_path / "outside"
    outside.mkdir()
    inside = tmp_path / "inside"
    (inside / "sub").mkdir(parents=True)
    text = (bench.folder / "machine.yaml").read_text()
    (outside / "machine.yaml").write_text(text)
    os.symlink(outside / "machine.yaml", inside / "link.yaml")
    os.symlink(outside, inside / "linked")
    os.symlink(inside / "round.yaml", inside / "round.yaml")
    bench.folder, bench.path = inside, inside / "recipe.yaml"
    refusal = bench.refusal(STEPS, head=f'choreo: 1\ntitle: t\nmachine: "{named}"\n')
    (finding,) = refusal.findings
    assert finding.rule == rule
    assert finding.primary.span.line == 3
    assert "\n" not in finding.headline


def test_a_link_within_the_folder_is_followed(bench):
    os.symlink(bench.folder / "machine.yaml", bench.folder / "other.yaml")
    assert bench.recipe(STEPS, head="choreo: 1\ntitle: t\nmachine: other.yaml\n").name == "bench"


def test_a_recipe_in_another_folder_may_be_named_by_any_path(bench, monkeypatch):
    from choreo.recipe.load import load

    bench.recipe(STEPS)
    monkeypatch.chdir(bench.folder.parent)
    assert load(f"{bench.folder.name}/recipe.yaml").name == "bench"
    monkeypatch.chdir(bench.folder)
    assert load("recipe.yaml").machine_path.name == "machine.yaml"


def test_a_recipe_that_names_itself_as_its_machine(bench):
    found = bench.found(STEPS, head="choreo: 1\ntitle: t\nmachine: recipe.yaml\n")
    assert ("not-for-a-machine", "machine") in found


def test_a_machine_file_that_is_no_yaml_is_shown_with_its_line(bench):
    bench.write("machine.yaml", "choreo: 1\nname: {\n")
    refusal = bench.refusal("steps:\n  - dwell: 5\n")
    assert [finding.rule for finding in refusal.findings] == ["unit-missing", "yaml-syntax"]
    (bench.folder / "machine.yaml").write_bytes(b"choreo: 1\nname: \xff\n")
    refusal = bench.refusal(STEPS)
    assert [finding.rule for finding in refusal.findings] == ["wrong-encoding"]
    assert refusal.lines[str(bench.folder / "machine.yaml")][1].startswith("name: ")
