"""Parameter maps: what is accepted, and that every mistake of a file is named at once."""

import math

import pytest

from fdm.errors import MapError
from fdm.parameter_map import load_map
from fdm.parameters import DEPLOYED, IN_TRANSIT, STOWED

HEAD = '[map]\nname = "Layout A"\nfleet = "Twin"\nengines = 2\nreversers = [1, 2]\n'


@pytest.fixture
def load(tmp_path):
    def load_text(text):
        path = tmp_path / "layout.toml"
        path.write_text(text, encoding="utf-8")
        return load_map(path)

    return load_text


@pytest.fixture
def refusal(load):
    def refusal_of(text):
        with pytest.raises(MapError) as caught:
            load(text)
        return str(caught.value)

    return refusal_of


def test_every_form_of_the_format(load):
    layout = load(
        HEAD
        + """
        [parameter.ground_speed]
        column = "GS"
        unit = "kt"
        rate_hz = 1.0
        offset_s = 0.25
        [parameter."n1.1"]
        column = "N1 L"
        unit = "%"
        [parameter."reverser_deployed.1"]
        column = "REV1 DEP"
        true_when = [1]
        [parameter."reverser_state.2"]
        column = "REV2"
        states = { "0" = "stowed", "MOVING" = "in_transit", "2" = "deployed" }
        [parameter.spoiler_handle]
        column = "SPLR"
        unit = "deg"
        full_travel = 60.0
        [parameter.main_gear_ground]
        column = "AIR"
        true_when = [false, "GROUND"]
        """
    )
    assert (layout.name, layout.fleet, layout.engines, layout.reversers) == ("Layout A", "Twin", 2, (1, 2))
    speed = layout.entries["ground_speed"]
    assert (speed.column, speed.rate_hz, speed.offset_s, speed.factor, speed.offset) == ("GS", 1.0, 0.25, 1.0, 0.0)
    assert layout.entries["reverser_deployed.1"].true_when == (1.0,)
    assert layout.entries["reverser_state.2"].states == {0.0: STOWED, "MOVING": IN_TRANSIT, 2.0: DEPLOYED}
    assert layout.entries["spoiler_handle"].factor * 60 == pytest.approx(1)
    assert layout.entries["main_gear_ground"].true_when == (0.0, "GROUND")


@pytest.mark.parametrize(
    ("name", "unit", "recorded", "canonical"),
    [
        ("ground_speed", "m/s", 1852 / 3600, 1.0),  # NIST SP 811: 1 kn = 1852/3600 m/s
        ("ground_speed", "km/h", 1.852, 1.0),
        ("radio_height", "m", 0.3048, 1.0),  # NIST SP 811: 1 ft = 0.3048 m
        ("normal_acceleration", "m/s2", 9.80665, 1.0),  # standard gravity, NIST SP 811
        ("pitch", "rad", math.pi, 180.0),
        ("gross_weight", "lb", 1.0, 0.45359237),  # NIST SP 811
        ("static_air_temperature", "K", 273.15, 0.0),
        ("static_air_temperature", "degF", 212.0, 100.0),
        ("spoiler_handle", "%", 50.0, 0.5),
        ('"brake_pressure.left"', "bar", 1.0, 14.503773773),  # NIST SP 811: 1 psi = 6.894757 kPa
    ],
)
def test_units_become_canonical(load, name, unit, recorded, canonical):
    layout = load(HEAD + f'[parameter.{name}]\ncolumn = "X"\nunit = "{unit}"\n')
    (entry,) = layout.entries.values()
    assert recorded * entry.factor + entry.offset == pytest.approx(canonical, abs=1e-7)


@pytest.mark.parametrize(
    ("text", "fragments"),
    [
        ('[parameter.ground_sped]\ncolumn="A"\nunit="kt"', ["parameter.ground_sped", "Did you mean 'ground_speed'?"]),
        ('[parameter.ground_speed]\ncolumn="A"\nunti="kt"', ["unknown key 'unti'", "Did you mean 'unit'?"]),
        ('[parameter.ground_speed]\ncolumn="A"\nunit="kts"', ["unknown unit 'kts'", "Did you mean 'kt'?"]),
        ('[parameter.ground_speed]\ncolumn="A"', ["parameter.ground_speed.unit", "missing", "km/h"]),
        ('[parameter.ground_speed]\nunit="kt"', ["parameter.ground_speed.column"]),
        ('[parameter."n1.3"]\ncolumn="A"\nunit="%"', ["there is no engine 3", "map.engines is 2"]),
        ('[parameter.n1.1]\ncolumn="A"\nunit="%"', ['Write [parameter."n1.1"]']),
        ('[parameter.main_gear_ground]\ncolumn="A"', ["true_when"]),
        ('[parameter.main_gear_ground]\ncolumn="A"\ntrue_when=1', ["true_when", "list"]),
        ('[parameter.main_gear_ground]\ncolumn="A"\ntrue_when=[1]\nunit="kt"', ["unit", "a discrete"]),
        ('[parameter."reverser_state.1"]\ncolumn="A"\nstates={"0"="stowed","1"="open"}', ["'1' = 'open' is no state"]),
        ('[parameter."reverser_state.1"]\ncolumn="A"\nstates={"0"="stowed"}', ["no recorded value means deployed"]),
        ('[parameter."reverser_state.1"]\ncolumn="A"\nstates={"0"=["stowed"],"1"="deployed"}', ["is no state"]),
        ('[parameter.spoiler_handle]\ncolumn="A"\nunit="deg"', ["full_travel"]),
        ('[parameter.spoiler_handle]\ncolumn="A"\nunit="deg"\nfull_travel=0', ["full_travel", "not 0"]),
        ('[parameter.pitch]\ncolumn="A"\nunit="deg"\nfull_travel=9', ["full_travel", "pitch is in deg"]),
        ('[parameter.pitch]\ncolumn="A"\nunit="deg"\nrate_hz=0', ["rate_hz", "not 0"]),
        ('[parameter.pitch]\ncolumn="A"\nunit="deg"\noffset_s="x"', ["offset_s", "'x'"]),
        ("[parameter]\nground_speed = 3", ["parameter.ground_speed", "must be a table"]),
        ("", ["no parameter is mapped"]),
    ],
)
def test_a_wrong_entry_is_named(refusal, text, fragments):
    message = refusal(HEAD + text + "\n")
    assert "layout.toml" in message
    for fragment in fragments:
        assert fragment in message


def test_a_column_may_serve_once(refusal):
    message = refusal(HEAD + '[parameter.pitch]\ncolumn="A"\nunit="deg"\n[parameter.roll]\ncolumn="A"\nunit="deg"\n')
    assert "parameter.roll" in message
    assert "column 'A' is already used by parameter.pitch" in message


def test_one_and_two_sided_gear_may_both_be_mapped(load):
    layout = load(
        HEAD
        + '[parameter.main_gear_ground]\ncolumn="A"\ntrue_when=[1]\n'
        + '[parameter."main_gear_ground.left"]\ncolumn="B"\ntrue_when=[1]\n'
    )
    assert set(layout.entries) == {"main_gear_ground", "main_gear_ground.left"}


def test_a_reverser_that_the_engine_has_not(refusal):
    head = '[map]\nname = "Quad"\nengines = 4\nreversers = [2, 3]\n'
    message = refusal(head + '[parameter."reverser_deployed.1"]\ncolumn="A"\ntrue_when=[1]\n')
    assert "engine 1 has no reverser in map.reversers" in message


@pytest.mark.parametrize(
    ("head", "fragments"),
    [
        ("", ["there is no [map] table"]),
        ('[map]\nname="A"\nengines=5\nreversers=[]', ["map.engines", "1 to 4", "5"]),
        ('[map]\nname="A"\nengines=true\nreversers=[]', ["map.engines", "True"]),
        ('[map]\nname="A"\nengines=2\nreversers=[3]', ["map.reversers", "engine 3 is not among 1, 2"]),
        ('[map]\nname="A"\nengines=2\nreversers=[1]\nreversers_out=[2]', ["map.reversers_out", "engine 2"]),
        ('[map]\nname="A"\nengines=2', ["map.reversers", "list of engine numbers"]),
        ("[map]\nengines=2\nreversers=[]", ["map.name"]),
        ('[map]\nname="A"\nengine=2\nengines=2\nreversers=[]', ["unknown key 'engine'", "'engines'"]),
    ],
)
def test_a_wrong_head_is_named(refusal, head, fragments):
    message = refusal(head + '\n[parameter.pitch]\ncolumn="A"\nunit="deg"\n')
    for fragment in fragments:
        assert fragment in message


def test_all_problems_come_at_once(refusal):
    message = refusal(
        '[map]\nname = "A"\nengines = 9\nreversers = [1]\nflet = "x"\n'
        '[parameter.pitch]\ncolumn = "A"\nunit = "degrees"\n'
        '[parameter.roll]\ncolumn = "A"\nunit = "deg"\n'
    )
    assert message.count("\n") == 4
    for fragment in ("4 problems", "flet", "map.engines", "degrees", "already used"):
        assert fragment in message


@pytest.mark.parametrize("again", ['[parameter.pitch]\ncolumn="B"', '[map]\nname="B"'])
def test_a_table_that_stands_twice(refusal, again):
    message = refusal(HEAD + '[parameter.pitch]\ncolumn="A"\nunit="deg"\n' + again + "\n")
    assert "stands twice" in message


def test_a_key_that_stands_twice(refusal):
    message = refusal(HEAD + '[parameter.pitch]\ncolumn="A"\ncolumn="B"\nunit="deg"\n')
    assert "stands twice" in message


def test_files_that_are_no_toml(tmp_path, refusal):
    assert "not valid TOML" in refusal("this is = = not toml")
    with pytest.raises(MapError, match=r"none\.toml.*cannot be read"):
        load_map(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes('[map]\nname = "Höhe"'.encode("latin-1"))
    with pytest.raises(MapError, match="not UTF-8"):
        load_map(tmp_path / "latin.toml")
