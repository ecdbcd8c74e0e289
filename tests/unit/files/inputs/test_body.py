"""Body files: worlds that exist pass, worlds that cannot are told why."""

from __future__ import annotations

import pytest

from yieldsim.base.errors import InputError
from yieldsim.files.inputs.body import solar_day_bounds_hours
from yieldsim.files.inputs.readers import read_body
from yieldsim.files.text.bundled import body_names

BODY = """\
name = "Pebble"
ephemeris_target = 2000001
equatorial_radius_km = 480
polar_radius_km = 440
mean_solar_day_hours = 9.07
[rotation]
pole_right_ascension_deg = [291.4]
pole_declination_deg = [66.8]
prime_meridian_deg = [170.6, 952.1532]
"""

# deg a day: NAIF pck00011 (Venus, Ceres, Vesta, Phobos), the bodies here for the others. Solar day: 1 / |rate / 360 -+ 1 / year|
# with years of 224.70, 1680 and 1325 days; Phobos keeps the year of Mars, 686.98 days.
WORLDS = {
    "Venus": (-1.4813688, 24.0 * 116.75),
    "Ceres": (952.1532, 9.0766),
    "Vesta": (1617.3329428, 5.3429),
    "Phobos": (1128.84475928, 7.6576),
}


def told(folder, *changes: tuple[str, str]) -> list[str]:
    text = BODY
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    folder.write("pebble.toml", text)
    with pytest.raises(InputError) as caught:
        read_body("pebble.toml")
    return str(caught.value).split("\n")


def test_built_in_bodies_and_a_good_file_pass(folder) -> None:
    assert all(read_body(name).noun.rotation.prime_meridian_deg[1] != 0.0 for name in body_names())
    folder.write("pebble.toml", BODY)
    assert read_body("pebble.toml").noun.mean_solar_day_hours == 9.07


@pytest.mark.parametrize("world", WORLDS)
def test_worlds_that_exist_pass(folder, world: str) -> None:
    rate, hours = WORLDS[world]
    text = BODY.replace("952.1532", str(rate)).replace("9.07", str(hours))
    folder.write("pebble.toml", text)
    assert read_body("pebble.toml").noun.mean_solar_day_hours == hours


def test_a_year_of_80_days_bounds_the_solar_day() -> None:
    """A world turning once in 40 days, in an orbit of 80: 80 days against the turn, 26.7 with it."""
    low, high = solar_day_bounds_hours(9.0)
    assert low == pytest.approx(24.0 * 80.0 / 3.0)
    assert high == pytest.approx(24.0 * 80.0)
    assert solar_day_bounds_hours(-1.48) == (pytest.approx(24.0 / (1.48 / 360.0 + 1.0 / 80.0)), float("inf"))


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("[66.8]", "[95.0]", "[rotation] pole_declination_deg begins at 95; allowed: -90 to 90"),
        ("[66.8]", "[-90.5, 0.1]", "[rotation] pole_declination_deg begins at -90.5; allowed: -90 to 90"),
        ("[170.6, 952.1532]", "[170.6]", "[rotation] prime_meridian_deg has no rate of rotation; allowed: a sec"),
        ("[170.6, 952.1532]", "[170.6, 0.0]", "[rotation] prime_meridian_deg has no rate of rotation"),
        ("= 9.07", "= 32652", "mean_solar_day_hours is 32652; allowed: 9.031 to 9.117 (the prime meridian turns by"),
        ("= 9.07", "= 0.378", "mean_solar_day_hours is 0.378; allowed: 9.031 to 9.117"),
        ("952.1532", "1.5", "mean_solar_day_hours is 9.07; allowed: 1440 or more"),
        ("= 2000001", "= 10", "ephemeris_target is 10, the Sun; allowed: the NAIF number of a planet, moon"),
        ("= 2000001", "= 0", "ephemeris_target is 0, the centre of mass of the Solar System; allowed"),
        ("= 2000001", "= 2000001\norbit_target = 10", "orbit_target is 10, the Sun"),
        (
            "= 440",
            '= 440\nocculters = [{ name = "Sun", ephemeris_target = 10, radius_km = 1 }]',
            "[[occulters]] #1 ephemeris_target is 10, the Sun",
        ),
    ],
)  # fmt: skip
def test_each_slip_is_told_once(folder, old: str, new: str, words: str) -> None:
    lines = told(folder, (old, new))
    assert len(lines) == 1
    assert words in lines[0]


@pytest.mark.parametrize("value", ['"a"', '["a"]', "[nan, 1]", "[true]", "[]", "5"])
@pytest.mark.parametrize("key", ["pole_declination_deg = [66.8]", "prime_meridian_deg = [170.6, 952.1532]"])
def test_wrong_types_are_words_too(folder, key: str, value: str) -> None:
    lines = told(folder, (key, f"{key.split(' = ')[0]} = {value}"))
    assert all(f"[rotation] {key.split(' = ')[0]}" in line for line in lines)
