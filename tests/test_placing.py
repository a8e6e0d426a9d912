"""The runway found from the touchdown position."""

import numpy as np
import pytest

from fdm.flights import RunwayEnd
from fdm.frames import Frame, Layout
from fdm.placing import placed


def frame(latitude, longitude, heading, **facts):
    steps = (("heading", 1.0), ("latitude", 1.0), ("longitude", 1.0))
    values = {"heading": heading, "latitude": latitude, "longitude": longitude}
    grids = {name: np.full(20, value, float) for name, value in values.items()}
    return Frame(Layout(2, (1, 2), steps), facts, dict.fromkeys(grids, -5.0), dict.fromkeys(grids, 0.0), grids)


@pytest.fixture
def runways(tmp_path):
    from fdm.flights import load_runways

    path = tmp_path / "runways.csv"
    path.write_text(
        "airport_ident,le_ident,he_ident,length_ft,width_ft,le_latitude_deg,le_longitude_deg,le_heading_degT,"
        "he_latitude_deg,he_longitude_deg,he_heading_degT,le_displaced_threshold_ft,he_displaced_threshold_ft\n"
        "QQAA,09,27,8202,148,50.0,5.0,90,50.0,5.0350,270,0,0\n"
    )
    found = load_runways(path)
    assert all(isinstance(end, RunwayEnd) for end in found)
    return found


def test_the_landing_end_is_told_by_the_heading(runways):
    assert placed(frame(50.0, 5.01, 91.0, arrival="QQAA"), runways).facts["runway"] == "09"
    assert placed(frame(50.0, 5.01, 268.0, arrival="QQAA"), runways).facts["runway"] == "27"


def test_length_comes_with_it_and_a_note_says_so(runways):
    facts = placed(frame(50.0, 5.01, 91.0), runways).facts
    assert facts["runway_length_m"] == pytest.approx(8202 * 0.3048)
    assert "runway 09 was found from the touchdown position" in facts["quality"]


def test_no_runway_there_leaves_the_facts_alone(runways):
    assert placed(frame(51.0, 5.01, 91.0), runways).facts.get("runway") is None


def test_known_facts_are_kept(runways):
    assert placed(frame(50.0, 5.01, 91.0, runway="33", runway_length_m=2000.0), runways).facts["runway"] == "33"
