from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from choreo.units import (
    LONGEST,
    PI,
    UNITS,
    Quantity,
    UnitError,
    convert,
    dimension_of,
    parse_quantity,
    show,
    show_ns,
    units_of,
)

exact_numbers = st.fractions(min_value=-(10**9), max_value=10**9, max_denominator=10**6)


@pytest.mark.parametrize(
    ("text", "value", "unit"),
    [
        ("600 mm", Fraction(600), "mm"),
        ("-0.05 mm", Fraction(-1, 20), "mm"),
        ("400/3 mm", Fraction(400, 3), "mm"),
        ("-400/3 mm", Fraction(-400, 3), "mm"),
        ("+2 rev", Fraction(2), "rev"),
        ("0.1 m/s", Fraction(1, 10), "m/s"),
        ("1.5e3 counts/s", Fraction(1500), "counts/s"),
        ("25E-4 s", Fraction(1, 400), "s"),
        ("800 mm/s²", Fraction(800), "mm/s^2"),
        ("8000 mm/s³", Fraction(8000), "mm/s^3"),
        ("8000 mm/s^3", Fraction(8000), "mm/s^3"),
        ("1500 rpm", Fraction(1500), "rev/min"),
        ("1 count", Fraction(1), "counts"),
        ("5 µm", Fraction(5), "um"),  # U+00B5
        ("5 μm", Fraction(5), "um"),  # U+03BC
        ("40%", Fraction(40), "%"),
        ("500 kbit/s", Fraction(500), "kbit/s"),
        ("  7 \t deg ", Fraction(7), "deg"),
        ("007 mm", Fraction(7), "mm"),
    ],
)
def test_a_number_and_a_unit_are_read_exactly(text, value, unit):
    assert parse_quantity(text) == Quantity(value, unit)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("   ", "empty"),
        ("600", "no unit"),
        ("mm", "number"),
        ("1,5 mm", "point"),
        ("1,000 mm", "point"),
        ("−5 mm", "dash"),
        (".5 mm", "before the point"),
        ("-.5 mm", "before the point"),
        ("5 mm mm", "exactly one"),
        ("1 m 20 cm", "exactly one"),
        ("3 1/2 mm", "exactly one"),
        ("5 MM", "did you mean mm?"),
        ("5 Mm/s", "did you mean mm/s?"),
        ("5 sec", "did you mean s?"),
        ("5 degrees", "did you mean deg?"),
        ("90 °", "did you mean deg?"),
        ("500 kbits/s", "did you mean kbit/s?"),
        ("5 furlongs", "deg, rad, rev"),
        ("5 mm/s^4", "did you mean mm/s^"),
        ("1/0 mm", "divides by zero"),
        ("1.5/2 mm", "number"),
        ("1/2/3 mm", "number"),
        ("1/-2 mm", "one whole number over another"),
        ("1.2.3 mm", "neither a decimal"),
        ("nan mm", "number"),
        ("inf mm", "number"),
        ("0x10 mm", "exactly one"),
        ("1_000 mm", "exactly one"),
        ("--5 mm", "number"),
        ("1e31 mm", "exponent"),
        ("1e-31 mm", "exponent"),
        ("1e99999999999999999999 mm", "exponent"),
        ("٣ mm", "number"),  # a digit, but of another script
        ("３ mm", "number"),  # full-width
        ("5\u00a0mm", "\\u00a0"),  # a space that does not look like another character
        ("5 mm\n", "\\u000a"),
        ("5 \x00mm", "\\u0000"),
        ("9" * (LONGEST + 1), "too long"),
        ("1/" * 500_000, "too long"),
    ],
)
def test_what_is_not_a_quantity_is_refused_with_one_printable_line(text, says):
    with pytest.raises(UnitError) as refusal:
        parse_quantity(text)
    message = str(refusal.value)
    assert says in message
    assert message.isprintable()
    assert len(message) < 400


@given(st.text(max_size=2 * LONGEST))
def test_any_text_is_read_or_refused(text):
    try:
        said = parse_quantity(text).text()
    except UnitError as refusal:
        said = str(refusal)
    assert said.isprintable()


@given(st.text(alphabet="0123456789./eE+-, mscdµ²^%", max_size=30))
def test_texts_that_look_like_quantities_are_read_or_refused(text):
    try:
        quantity = parse_quantity(text)
    except UnitError:
        return
    assert quantity.unit in UNITS


@given(exact_numbers, st.sampled_from(UNITS))
def test_fractions_are_read_back_exactly(value, unit):
    assert parse_quantity(f"{value} {unit}") == Quantity(value, unit)


@given(st.integers(-(10**12), 10**12), st.integers(0, 9), st.integers(-9, 9), st.sampled_from(UNITS))
def test_decimals_with_exponents_are_exact(digits, places, power, unit):
    text = f"{abs(digits):0{places + 1}d}"
    text = f"{text[: len(text) - places]}.{text[len(text) - places :]}" if places else text
    sign = "-" if digits < 0 else ""
    assert parse_quantity(f"{sign}{text}e{power} {unit}").value == Fraction(digits) * Fraction(10) ** (power - places)


@given(exact_numbers, st.sampled_from(UNITS), st.data())
def test_converting_there_and_back_changes_nothing(value, unit, data):
    other = data.draw(st.sampled_from(units_of(dimension_of(unit))))
    assert convert(convert(value, unit, other), other, unit) == value


@pytest.mark.parametrize(
    ("text", "unit", "value"),
    [
        ("0.4 m/s", "mm/s", 400),
        ("1 m/s^2", "mm/s^2", 1000),
        ("6000 rev/min", "rev/s", 100),
        ("1 deg/s", "rev/min", Fraction(1, 6)),
        ("36 m/h", "mm/s", 10),
        ("1 mm/ms^2", "m/s^2", 1000),
        ("2 min", "s", 120),
        ("1 Mbit/s", "kbit/s", 1000),
        ("5 kHz", "Hz", 5000),
    ],
)
def test_conversions_known_by_definition(text, unit, value):
    assert parse_quantity(text).to(unit) == value


@pytest.mark.parametrize(("text", "unit"), [("3 mm", "deg"), ("3 mm", "mm/s"), ("1 s", "Hz"), ("5 counts", "mm")])
def test_units_of_another_dimension_are_refused(text, unit):
    with pytest.raises(UnitError, match="wanted here"):
        parse_quantity(text).to(unit)


def test_an_unknown_unit_to_convert_to_is_refused():
    with pytest.raises(UnitError, match="did you mean mm"):
        parse_quantity("3 m").to("mmm")
    with pytest.raises(UnitError, match="not a dimension"):
        units_of("temperature")


def test_dimensions_are_plain_words():
    named = {"mm": "length", "deg/s": "angle/time", "counts/s^3": "counts/time^3", "ms": "time", "Hz": "frequency"}
    assert {unit: dimension_of(unit) for unit in named} == named
    assert parse_quantity("3 mm/s²").dimension == "length/time^2"
    assert dimension_of("kbit/s") == "bit rate"
    assert dimension_of("%") == "proportion"


def test_pi_is_right_to_forty_decimals():
    """Machin's formula, pi/4 = 4 arctan(1/5) - arctan(1/239), in whole numbers of 1e-60."""

    def arctan_of_inverse(n, one):
        term = total = one // n
        k = 1
        while term:
            term = -term // (n * n)
            k += 2
            total += term // k
        return total

    one = 10**60
    machin = Fraction(4 * (4 * arctan_of_inverse(5, one) - arctan_of_inverse(239, one)), one)
    assert 0 <= machin - PI < Fraction(1, 10**40)


@given(st.integers(-(10**9), 10**9))
def test_radians_stay_exact_over_a_thousand_million_counts(turns):
    """Counts of whole turns, said in radians to 25 decimals, round to the same counts."""
    radians = (2 * PI * turns * 10**25).__floor__()
    back = Quantity(Fraction(radians, 10**25), "rad").to("rev")
    assert round(back) == turns


@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (Fraction(250), "mm/s", "250 mm/s"),
        (Fraction(1, 20), "mm", "0.05 mm"),
        (Fraction(-1, 20), "mm", "-0.05 mm"),
        (Fraction(400, 3), "mm", "133.3333 mm"),
        (Fraction(200, 3), "mm", "66.6667 mm"),
        (0.1 + 0.2, "mm", "0.3 mm"),
        (39_321_600, "counts", "39321600 counts"),
        (0, "mm", "0 mm"),
        (-0.0, "mm", "0 mm"),
        (Fraction(1, 3 * 10**5), "mm", "0.00000333 mm"),
        (Fraction(123, 10**11), "m", "0.00000000123 m"),
        (Fraction(10**16), "mm", "1e16 mm"),
        (Fraction(2, 3) / 10**12, "mm", "6.667e-13 mm"),
        (float("inf"), "mm", "inf mm"),
        (Fraction(3, 2), "", "1.5"),
    ],
)
def test_values_are_shown_plainly(value, unit, text):
    assert show(value, unit) == text


@pytest.mark.parametrize(
    ("value", "places", "text"),
    [(Fraction(400, 3), 1, "133.3 mm"), (2.5, 0, "3 mm"), (-2.5, 0, "-3 mm"), (0.04, 1, "0 mm"), (-0.04, 1, "0 mm")],
)
def test_places_that_are_asked_for_are_kept_to(value, places, text):
    assert show(value, "mm", places) == text


@given(st.integers(-(10**10), 10**10), st.integers(0, 4), st.sampled_from(UNITS))
def test_what_is_shown_reads_back(digits, places, unit):
    value = Fraction(digits, 10**places)
    assert parse_quantity(show(value, unit)) == Quantity(value, unit)


@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(0, 6))
def test_what_is_shown_is_within_half_of_the_last_place(value, places):
    assert abs(Fraction(show(value, "", places)) - Fraction(value)) <= Fraction(1, 2 * 10**places)


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (0, "0 s"),
        (12, "12 ns"),
        (110_000, "110 us"),
        (8_500_000, "8.5 ms"),
        (250_000_000, "250 ms"),
        (2_812_500_000, "2.8125 s"),
        (-3_000_000, "-3 ms"),
    ],
)
def test_nanoseconds_are_shown_in_the_unit_that_fits(ns, text):
    assert show_ns(ns) == text


@given(st.integers(0, 10**15))
def test_shown_times_read_back_within_their_last_place(ns):
    assert abs(parse_quantity(show_ns(ns)).to("ns") - ns) <= ns / 10_000 + 1
