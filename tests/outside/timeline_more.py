"""More published landing rolls; see timeline_cases for how they are written."""

from __future__ import annotations

from .timeline_cases import (
    CONGONHAS,
    JACKSON_HOLE,
    LAGUARDIA,
    MIDWAY_2005,
    MIDWAY_2011,
    TAIPEI,
    TORONTO,
    WARSAW,
)
from .timeline_parts import (
    ARMED,
    IDLE,
    NO_SPOILERS,
    NOT_ARMED,
    NOT_USED,
    both,
    brakes,
    ft,
    lever,
    power,
    ramp,
)
from .timelines import Landmark, Published, Timeline, reverser, roll

_irkutsk_roll = roll(
    132.0, ("s", 4.0, 126.0), ("s", 12.0, 90.0), ("s", 6.0, 88.0), ("m", 1000.0, 97.0), ("s", 1.0, 94.0)
)
IRKUTSK = Timeline(
    name="irkutsk_2006",
    report="Interstate Aviation Committee, Irkutsk 9 July 2006; figures of the information telex of 4 August 2006",
    runway_m=2425.0,
    touchdown_m=280.0,  # chosen, as are speeds after touchdown and the times at which the levers moved in mid-roll
    roll=_irkutsk_roll,
    reversers_out=[1],
    signals={
        "spoiler_handle": ramp(0.3, 1.3),
        "spoilers_armed": ARMED,
        "autobrake_active": [(1.0, 1.0)],
        "thrust_lever.1": [(15.0, 0.0), (18.0, 40.0)],
        "thrust_lever.2": NOT_USED,
        "reverse_lever.1": NOT_USED,
        "reverse_lever.2": lever(2.0, 4.4, 15.0, 26.0),
        "reverser_state.1": NOT_USED,
        "reverser_state.2": reverser(2.3, 4.2, 26.2, 29.0),
        "n1.1": [(-5.0, 45.0), (0.0, IDLE), (16.0, IDLE), (21.0, 60.0)],
        "n1.2": power(4.4, 9.0, 75.0, 15.0, 20.0),
        **brakes(2.0, 700.0),
    },
    events={"forward_power_with_reverser_out": "high"},
    published=[Published("spoiler_delay_s", 1.0, 1.0)],
    landmarks=[Landmark(0.0, 280.0, 1.0, 132.0)],
)

HONG_KONG = Timeline(
    name="hong_kong_2025",
    report="Air Accident Investigation Authority, Hong Kong, preliminary report on 20 October 2025",
    runway_m=3800.0,
    touchdown_m=600.0,  # chosen, as are all speeds; touchdown taken 10 s before 03:52:30 local
    roll=roll(150.0, ("s", 16.0, 105.0), ("s", 10.0, 90.0)),
    engines=4,
    reversers_out=[4],
    signals={
        "spoiler_handle": ramp(0.3, 1.2),
        "reverser_state.1": reverser(2.3, 4.2),
        "reverser_state.2": reverser(2.3, 4.2),
        "reverser_state.3": reverser(2.3, 4.2),
        "reverser_state.4": NOT_USED,
        "n1.1": [(-5.0, 45.0), (0.0, IDLE)],
        "n1.2": [(-5.0, 45.0), (0.0, IDLE), (4.2, IDLE), (9.0, 95.0)],
        "n1.3": [(-5.0, 45.0), (0.0, IDLE), (4.2, IDLE), (9.0, 95.0)],
        "n1.4": [(-5.0, 45.0), (0.0, 38.0), (4.0, 38.0), (10.0, 90.0), (16.0, 106.0), (22.0, 107.0)],
    },
    events={"forward_power_with_reverser_out": "high"},
    possible=("unequal_reverse_power",),
)

_vnukovo_roll = roll(
    124.0, ("s", 7.5, 109.0), ("s", 6.5, 130.0), ("s", 12.0, 130.0), ("s", 6.0, 116.0), ("s", 1.0, 114.0)
)
VNUKOVO = Timeline(
    name="vnukovo_2012",
    report="Interstate Aviation Committee, Vnukovo 29 December 2012",
    runway_m=3060.0,
    touchdown_m=1000.0,
    roll=_vnukovo_roll,
    signals={
        "main_gear_ground.left": [(0.0, 1.0)],
        "main_gear_ground.right": NOT_USED,  # not compressed
        "spoiler_handle": NO_SPOILERS,
        **both("reverse_lever", [(3.0, 0.0), (3.6, 1.0)]),  # in one motion; when is from memory
        **both("reverser_state", NOT_USED),
        **both("n1", [(-5.0, 45.0), (0.0, IDLE), (4.0, IDLE), (9.0, 84.0), (25.0, 84.0), (29.0, 50.0)]),
    },
    events={"reverser_not_deployed": "high", "late_spoilers": "high"},
    possible=("spoilers_partial", "no_reverse"),
    landmarks=[Landmark(7.5, 1440.0, 20.0, 109.0), Landmark(32.0, 3060.0, 60.0, 116.0)],
)

_tegucigalpa_roll = roll(159.0, ("m", 1059.0, 90.0), ("m", 190.0, 54.0), ("m", 25.0, 38.0))
TEGUCIGALPA = Timeline(
    name="tegucigalpa_2008",
    report="Civil aviation authority of El Salvador for Honduras, Tegucigalpa 30 May 2008",
    runway_m=1649.0,
    touchdown_m=400.0,
    roll=_tegucigalpa_roll,
    signals={
        "spoiler_handle": ramp(0.3, 1.2),
        "spoilers_armed": ARMED,
        "nose_gear_ground": [(7.0, 1.0)],
        **both("reverse_lever", lever(1.5, 3.7, 16.5, 40.0)),
        **both("reverser_state", reverser(1.8, 3.5)),
        **both("n1", power(3.7, 8.0, 75.0, 16.5, 21.0)),
        **brakes(4.0),
        "airspeed": [(-30.0, 139.0), (0.0, 139.0), (16.5, 70.0), (21.7, 34.0)],
    },
    events={"short_runway_left": "high"},
    published=[
        Published("step:nose_gear", 7.0),
        Published("brake_delay_s", 4.0, 0.1),
    ],
    landmarks=[
        Landmark(_tegucigalpa_roll[1][0], 1649.0 - 190.0, 1.0),
        Landmark(_tegucigalpa_roll[2][0], 1649.0, 1.0, 54.0),
    ],
)

_kingston_roll = roll(162.0, ("m", ft(4811.0), 62.5), ("m", 60.0, 0.0))
KINGSTON = Timeline(
    name="kingston_2009",
    report="Jamaica Civil Aviation Authority, Kingston 22 December 2009",
    runway_m=ft(8911.0),
    touchdown_m=ft(4100.0),
    roll=_kingston_roll,
    airborne=[(0.7, 2.2)],  # bounced; for how long is chosen
    rates={"main_gear_ground": 2.0},
    signals={
        "spoiler_handle": ramp(2.5, 3.2),
        "spoilers_armed": ARMED,
        "autobrake_active": [(3.0, 1.0)],
        **both("reverse_lever", lever(3.0, 5.2, 26.0, 60.0)),
        **both("reverser_state", reverser(3.3, 5.0)),
        **both("n1", power(5.2, 9.5, 78.0, 24.0, 27.0)),
        **brakes(3.5),
        "airspeed": [(-30.0, 148.0), (0.0, 148.0), (_kingston_roll[1][0], 48.5)],
    },
    events={"bounce": "medium", "short_runway_left": "high"},
    possible=("late_reverser_stow",),
    published=[Published("bounces", 1.0), Published("bounce_airborne_s", 1.5)],
    landmarks=[Landmark(_kingston_roll[1][0], ft(8911.0), 1.0, 62.5)],
)

_bangkok_roll = roll(154.0, ("m", 623.0, 154.0), ("m", 1525.0, 88.0), ("m", 220.0, 0.0))
BANGKOK = Timeline(
    name="bangkok_1999",
    report="ATSB 199904538",
    runway_m=3150.0,
    touchdown_m=1002.0,
    roll=_bangkok_roll,
    engines=4,
    signals={
        **both("reverse_lever", NOT_USED, 4),
        **both("reverser_state", NOT_USED, 4),
        **both("n1", [(-5.0, 50.0), (0.0, IDLE)], 4),
    },
    events={"no_reverse": "low", "short_runway_left": "high"},
    published=[Published("reverse_not_used", 1.0)],
    landmarks=[
        Landmark(_bangkok_roll[1][0], 1625.0, 1.0, 154.0),
        Landmark(_bangkok_roll[2][0], 3150.0, 1.0, 88.0),
    ],
)

LITTLE_ROCK = Timeline(
    name="little_rock_1999",
    report="NTSB/AAR-01/02",
    runway_m=ft(7200.0),
    touchdown_m=ft(2000.0),  # chosen, as are speeds, engine speeds and when the reversers came
    roll=roll(150.0, ("s", 24.0, 97.0)),  # contact 23:50:20, impact 23:50:44
    signals={
        "spoiler_handle": NO_SPOILERS,
        "spoilers_armed": NOT_ARMED,
        **both("reverser_state", reverser(2.5, 4.2)),
        **both("epr", [(0.0, 1.03), (4.2, 1.05), (9.0, 1.7)]),  # above 1.3
        **both("n1", [(-5.0, 45.0), (0.0, IDLE), (4.2, IDLE), (9.0, 76.0)]),
        **brakes(4.5),
    },
    events={"late_spoilers": "high", "spoilers_not_armed": "medium"},
    possible=("spoilers_partial",),
    published=[Published("spoilers_not_armed", 1.0), Published("spoiler_extension_max", 0.0)],
    landmarks=[Landmark(0.0, ft(2000.0), 1.0)],
)

_amsterdam_roll = roll(140.0, ("m", 1007.0, 10.0), ("m", 10.0, 0.0), ("s", 4.0, 0.0))
AMSTERDAM = Timeline(
    name="amsterdam_2010",
    report="Dutch Safety Board, Amsterdam 2 October 2010",
    runway_m=2014.0,
    touchdown_m=1007.0,  # about half way
    roll=_amsterdam_roll,  # speeds chosen
    signals={
        "spoiler_handle": ramp(0.4, 1.0, 0.6),  # partially deployed; how far is chosen
        "spoilers_armed": ARMED,
        **both("reverse_lever", lever(1.8, 4.0, 16.0, 21.0)),
        **both("reverser_state", reverser(2.1, 3.9, 21.2, 23.5)),
        **both("n1", power(4.0, 8.0, 72.0, 16.0, 20.0)),
        **brakes(2.5),
    },
    events={"spoilers_partial": "medium"},
    possible=("late_spoilers", "short_runway_left"),
    landmarks=[Landmark(_amsterdam_roll[1][0], 2014.0, 1.0)],
)

MANGALORE = Timeline(
    name="mangalore_2010",
    report="Ministry of Civil Aviation, India, Court of Inquiry, Mangalore 22 May 2010",
    runway_m=ft(8033.0),
    touchdown_m=ft(8033.0) * 2 / 3,  # two thirds down the runway
    roll=roll(150.0, ("s", 8.0, 130.0), ("m", 240.0, 130.0), ("s", 1.0, 128.0)),  # speeds chosen
    signals={
        "spoiler_handle": [(0.3, 0.0), (1.0, 1.0), (8.2, 1.0), (9.0, 0.0)],
        "spoilers_armed": ARMED,
        **both("thrust_lever", [(8.0, 0.0), (9.0, 45.0)]),
        **both("reverse_lever", [(1.5, 0.0), (1.7, 0.2), (3.5, 0.2), (4.0, 0.7), (7.4, 0.7), (7.9, 0.0)]),
        **both("reverser_state", reverser(1.8, 3.4, 8.0, 10.0)),
        **both("n1", [(-5.0, 45.0), (0.0, IDLE), (3.5, IDLE), (7.0, 50.0), (8.5, 40.0), (11.5, 80.0)]),
        "brake_pressure.left": [(2.0, 0.0), (2.1, 500.0), (3.0, 2000.0), (7.5, 2000.0), (7.8, 0.0)],
        "brake_pressure.right": [(2.0, 0.0), (2.1, 500.0), (3.0, 2000.0), (7.5, 2000.0), (7.8, 0.0)],
    },
    events={"reverse_then_go_around": "high"},
    possible=("spoilers_retracted_early", "stow_before_idle", "forward_power_with_reverser_out"),
    landmarks=[Landmark(0.0, ft(8033.0) * 2 / 3, 1.0)],
)

_tehran_roll = roll(
    138.0, ("s", 3.0, 132.0), ("m", 1200.0, 80.0), ("m", 1100.0, 70.0), ("m", 320.0, 40.0), ("m", 40.0, 20.0)
)
TEHRAN = Timeline(
    name="tehran_2005",
    report="Bureau d'Enquêtes et d'Analyses data on Tehran 7 March 2005",
    runway_m=3200.0,  # chosen, as are touchdown and speeds but 80 and 40 kt
    touchdown_m=3200.0 - 3.0 * 135.0 * 1852 / 3600 - 2620.0,
    roll=_tehran_roll,
    reversers_out=[2],
    signals={
        "spoiler_handle": ramp(0.3, 1.2),
        "spoilers_armed": ARMED,
        "thrust_lever.1": NOT_USED,
        "thrust_lever.2": [
            (_tehran_roll[2][0], 0.0),
            (_tehran_roll[2][0] + 3.0, 55.0),
            (52.0, 55.0),
            (53.0, 0.0),
        ],
        "reverse_lever.1": [
            (1.5, 0.0),
            (1.7, 0.2),
            (3.6, 0.2),
            (4.2, 1.0),
            (24.5, 1.0),
            (26.0, 0.6),
            (52.0, 0.6),
            (53.0, 1.0),
        ],
        "reverse_lever.2": NOT_USED,
        "reverser_state.1": reverser(1.8, 3.5),
        "reverser_state.2": NOT_USED,
        "n1.1": [
            (-5.0, 45.0),
            (0.0, IDLE),
            (3.6, IDLE),
            (8.0, 85.0),
            (25.0, 85.0),
            (30.0, 60.0),
            (53.0, 60.0),
            (57.0, 85.0),
        ],
        "n1.2": [
            (-5.0, 45.0),
            (0.0, IDLE),
            (_tehran_roll[2][0], IDLE),
            (_tehran_roll[2][0] + 5.0, 70.0),
            (53.0, 70.0),
            (60.0, IDLE),
        ],
        **brakes(3.0, 900.0),
    },
    events={"forward_power_with_reverser_out": "high"},
    possible=("low_deceleration", "short_runway_left", "late_reverser_stow", "slow_high_reverse"),
    landmarks=[Landmark(_tehran_roll[4][0], 3200.0, 1.0, 40.0)],
)

TIMELINES = (
    JACKSON_HOLE,
    MIDWAY_2005,
    MIDWAY_2011,
    LAGUARDIA,
    TORONTO,
    WARSAW,
    CONGONHAS,
    TAIPEI,
    IRKUTSK,
    HONG_KONG,
    VNUKOVO,
    TEGUCIGALPA,
    KINGSTON,
    BANGKOK,
    LITTLE_ROCK,
    AMSTERDAM,
    MANGALORE,
    TEHRAN,
)
