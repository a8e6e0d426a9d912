"""flights.csv and runways.csv: facts in canonical names, both landing ends, and a runway found from a position."""

import math
from datetime import UTC, datetime

import pytest

from fdm.errors import FactsError
from fdm.flights import find_runway, load_flights, load_runways, parse_facts, parse_utc, runway_facts, runway_ident

# An invented airfield: 09L/27R and a parallel 300 m south of it, 09R/27L, and a crossing 18/36. One degree of
# latitude is 111.195 km on a sphere of 6371.0088 km, so 300 m is 0.002698 degrees.
RUNWAYS = """airport_ident,length_ft,width_ft,le_ident,le_latitude_deg,le_longitude_deg,le_heading_degT,\
le_displaced_threshold_ft,he_ident,he_latitude_deg,he_longitude_deg,he_displaced_threshold_ft,airport_elevation_ft,surface
QQTS,8202,148,09L,0.0,10.0,90.0,500,27R,0.0,10.0224831,,1200,ASP
QQTS,6562,148,09R,-0.002698,10.0,90.0,,27L,-0.002698,10.017987,,1200,ASP
QQTS,6562,148,18,0.009,10.01,180.0,,36,-0.009,10.01,,1200,ASP
QQOT,5000,98,04,50.0,10.0,,,22,50.01,10.0130541,,,ASP
"""


@pytest.fixture
def runways(tmp_path):
    path = tmp_path / "runways.csv"
    path.write_text(RUNWAYS)
    return load_runways(path)


def test_both_ends_of_a_runway(runways):
    facts = runway_facts(runways, "QQTS", "09L")
    assert facts["runway_length_m"] == pytest.approx(8202 * 0.3048)
    assert facts["runway_width_m"] == pytest.approx(148 * 0.3048)
    assert facts["runway_displaced_m"] == pytest.approx(152.4)
    assert facts["airport_elevation_ft"] == 1200
    assert (facts["runway_latitude_deg"], facts["runway_longitude_deg"]) == (0.0, 10.0)
    other = runway_facts(runways, "qqts", "27r")
    assert other["runway_heading_deg"] == 270.0
    assert "runway_displaced_m" not in other
    assert (other["runway_latitude_deg"], other["runway_longitude_deg"]) == (0.0, 10.0224831)


def test_a_heading_that_is_not_given_comes_from_the_ends(runways):
    """At 50 N a degree of longitude is cos 50 of one of latitude: 0.01 N and 0.0130541 E lie at 40 degrees."""
    heading = runway_facts(runways, "QQOT", "04")["runway_heading_deg"]
    east = 0.0130541 * math.cos(math.radians(50.005))
    assert heading == pytest.approx(math.degrees(math.atan2(east, 0.01)), abs=1e-6)
    assert runway_facts(runways, "QQOT", "22")["runway_heading_deg"] == pytest.approx(heading + 180)


def test_an_unknown_runway_has_no_facts(runways):
    assert runway_facts(runways, "QQTS", "13") is None
    assert runway_facts(runways, None, "09L") is None


@pytest.mark.parametrize(
    ("text", "ident"), [("9L", "09L"), ("RW27", "27"), ("rwy 4", "04"), ("09L", "09L"), ("36C", "36C"), ("N", "N")]
)
def test_runway_idents(text, ident):
    assert runway_ident(text) == ident


@pytest.mark.parametrize(
    ("airport", "latitude_deg", "longitude_deg", "heading_deg", "runway"),
    [
        ("QQTS", 0.0, 10.005, 90, "09L"),
        ("QQTS", 0.0, 10.005, -85, "27R"),  # recorded as -180 to 180, with some variation
        ("QQTS", -0.0026, 10.005, 92, "09R"),
        ("QQTS", 0.004, 10.0102, 178, "18"),
        (None, 50.005, 10.0065271, 45, "04"),
        ("QQTS", 0.0, 10.005, 140, None),  # along no runway
        ("QQTS", -0.00135, 10.005, 90, None),  # midway between the parallels
        ("QQTS", 0.02, 10.005, 90, None),  # 2 km beside
        ("QQTS", 0.0, 10.05, 90, None),  # 3 km beyond
        ("QQOT", 0.0, 10.005, 90, None),  # another airfield
    ],
)
def test_a_runway_from_a_position(runways, airport, latitude_deg, longitude_deg, heading_deg, runway):
    found = find_runway(runways, airport, latitude_deg, longitude_deg, heading_deg)
    assert (found and found["runway"]) == runway


def test_flights_table(tmp_path):
    path = tmp_path / "flights.csv"
    path.write_text(
        "\ufefffile,tail,fleet,start_utc,departure,arrival,runway,flight,map,reversers_out,runway_condition_code,captain\n"
        "a.csv,QQ-AB,Twin,2026-11-20T10:00:00.25Z,QQTS,QQOT,9L,VH1,maps/a.toml,1;2,5,someone\n"
        "b.csv,,,2026-11-20 12:00:00+02:00,,,,,,,,\n",
        encoding="utf-8",
    )
    rows, notes = load_flights(path)
    assert rows[0].facts == {
        "tail": "QQ-AB",
        "fleet": "Twin",
        "start_utc": datetime(2026, 11, 20, 10, 0, 0, 250000, tzinfo=UTC),
        "departure": "QQTS",
        "arrival": "QQOT",
        "runway": "09L",
        "flight": "VH1",
        "reversers_out": [1, 2],
        "runway_condition_code": 5,
    }
    assert rows[0].map_file == (tmp_path / "maps" / "a.toml").resolve()
    assert rows[1].facts == {"start_utc": datetime(2026, 11, 20, 10, 0, tzinfo=UTC)}
    assert rows[1].map_file is None
    assert notes == ("flights.csv: columns not used: captain.",)
    assert "someone" not in repr(rows)


@pytest.mark.parametrize(
    ("text", "fragments"),
    [
        ("tail\nQQ-A\n", ["first line holds one cell"]),
        ("tail,map\nQQ-A,m\n", ["no column 'file'"]),
        ("file,tail\n,QQ-A\n", ["row 1", "file is empty"]),
        ("file,start_utc\na.csv,20.11.2026\n", ["row 1", "start_utc '20.11.2026'", "ISO 8601"]),
        ("file,reversers_out\na.csv,5\n", ["reversers_out '5'", "1 to 4"]),
        ("file,runway_condition_code\na.csv,9\n", ["runway_condition_code '9'", "0 to 6"]),
        ("file,tail\na.csv,1\na.csv,2\n", ["row 2", "same file and flight as row 1"]),
        ("file,start_utc\na.csv,x\nb.csv,y\n", ["2 problems", "row 1", "row 2"]),
        ("file,tail,tail\na.csv,1,2\n", ["'tail' stands twice"]),
    ],
)
def test_wrong_flights_tables(tmp_path, text, fragments):
    path = tmp_path / "flights.csv"
    path.write_text(text)
    with pytest.raises(FactsError) as caught:
        load_flights(path)
    assert "flights.csv" in str(caught.value)
    for fragment in fragments:
        assert fragment in str(caught.value)


@pytest.mark.parametrize(
    ("text", "fragment"),
    [
        ("airport_ident,le_ident\nQQTS,09\n", "no column 'he_ident'"),
        ("airport_ident,le_ident,he_ident,length_ft\nQQTS,09,27,long\n", "row 1: length_ft 'long' is no number"),
        ("airport_ident,le_ident,he_ident,length_ft\n,09,27,8000\n", "row 1: airport_ident is empty"),
        ("airport_ident,le_ident,he_ident,length_ft\nQQTS,09,27,inf\n", "length_ft 'inf' is no number"),
    ],
)
def test_wrong_runway_tables(tmp_path, text, fragment):
    path = tmp_path / "runways.csv"
    path.write_text(text)
    with pytest.raises(FactsError) as caught:
        load_runways(path)
    assert fragment in str(caught.value)


def test_times_are_utc():
    assert parse_utc("2026-11-20T10:00:00") == parse_utc("2026-11-20T11:00:00+01:00")
    facts, problems = parse_facts({"tail": "QQ-A", "shoe_size": "43", "fleet": None, "start_utc": "soon"})
    assert facts == {"tail": "QQ-A"}
    assert len(problems) == 1
    assert "start_utc 'soon'" in problems[0]
