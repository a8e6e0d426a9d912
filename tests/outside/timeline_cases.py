"""The published landing rolls: reports, figures, and the rules whose events they describe.

Speeds, distances and times beside a `Published` or `Landmark` are the report's (or, where said, an official update's or
a published account of it). "From memory" and "chosen" say what is not. Speeds are taken as ground speed unless the
report gives both. Instants that a report does not separate are kept apart: selected, unlocked, deployed, full power.
"""

from __future__ import annotations

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

_jackson_roll = roll(132.0, ("s", 18.0, 100.0), ("m", 663.0, 45.0), ("m", ft(730.0), 0.0), ("s", 3.0, 0.0))
JACKSON_HOLE = Timeline(
    name="jackson_hole_2010",
    report="NTSB/AAR-12/01",
    runway_m=ft(6300.0),
    touchdown_m=ft(600.0),
    roll=_jackson_roll,  # touchdown speed chosen
    signals={
        "spoiler_handle": NO_SPOILERS,
        "spoilers_armed": ARMED,
        **both("reverse_lever", lever(1.0, 18.3, 32.0, 38.0)),
        **both("reverser_state", reverser(1.3, 18.0, 38.3, 41.0)),
        **both("n1", power(18.5, 24.0, 80.0, 32.0, 36.0)),
        **brakes(2.0),
    },
    rates={"main_gear_ground": 4.0},
    airborne=[(1.0, 1.5)],
    events={
        "late_spoilers": "high",  # never extended
        "reverser_not_deployed": "high",  # selected at once, held in transit until 18 s
        "slow_transit": "high",
    },
    possible=("spoilers_partial", "short_runway_left", "low_deceleration", "bounce"),
    published=[
        Published("step:deployed", 18.0, engine=1),
        Published("step:deployed", 18.0, engine=2),
        Published("deploy_delay_s", 18.0, engine=1),
        Published("spoiler_extension_max", 0.0),
        Published("bounce_airborne_s", 0.5),
    ],
    landmarks=[Landmark(_jackson_roll[-2][0], ft(6300.0 + 730.0), 5.0, 0.0)],
)

_midway05_roll = roll(132.0, ("m", ft(3400.0), 92.0), ("m", ft(1100.0), 53.0), ("m", 100.0, 0.0))
MIDWAY_2005 = Timeline(
    name="midway_2005",
    report="NTSB/AAR-07/06",
    runway_m=ft(6522.0),
    touchdown_m=ft(2022.0),  # about 4,500 ft left
    roll=_midway05_roll,  # 124 KIAS; the tailwind that makes it 132 kt over the ground is from memory
    signals={
        "spoiler_handle": ramp(0.3, 1.0),
        "spoilers_armed": ARMED,
        **both("reverse_lever", lever(15.0, 18.2, 40.0, 60.0)),  # commanded 15 s: from memory
        **both("reverser_state", reverser(15.4, 18.0)),
        **both("n1", power(18.2, 22.0, 80.0, 24.0, 26.5)),
        **brakes(0.8),
    },
    events={"late_reverse": "high"},
    possible=("short_runway_left", "late_reverser_stow", "slow_high_reverse"),
    published=[
        Published("deploy_delay_s", 18.0, engine=1),
        Published("deploy_delay_s", 18.0, engine=2),
        Published("spoiler_delay_s", 1.0, 0.2),
        Published("brake_delay_s", 1.0, 0.3),
    ],
    landmarks=[
        Landmark(18.0, ft(6522.0 - 1000.0), ft(300.0)),
        Landmark(_midway05_roll[2][0], ft(6522.0), 1.0, 53.0),
    ],
)

_midway11_roll = roll(130.0, ("s", 16.0, 100.0), ("m", ft(1566.0), 15.0), ("m", 20.0, 0.0), ("s", 3.0, 0.0))
MIDWAY_2011 = Timeline(
    name="midway_2011",
    report="NTSB DCA11IA047",
    runway_m=ft(6522.0),
    touchdown_m=ft(1850.0),  # chosen to leave about 1,500 ft when reverse came
    roll=_midway11_roll,  # speeds chosen
    signals={
        "spoiler_handle": ramp(16.2, 16.9),  # lifted by the reverse levers
        "spoilers_armed": NOT_ARMED,
        **both("reverse_lever", lever(16.0, 18.6, 23.0, 26.5)),
        **both("reverser_state", reverser(16.3, 18.4, 26.8, 29.0)),
        **both("n1", power(18.6, 21.5, 75.0, 23.0, 26.0)),
    },
    events={"spoilers_not_armed": "medium", "late_spoilers": "high", "late_reverse": "high"},
    possible=("short_runway_left", "slow_high_reverse"),
    published=[
        Published("reverse_select_delay_s", 16.0, engine=1),
        Published("reverse_select_delay_s", 16.0, engine=2),
        Published("spoilers_not_armed", 1.0),
        Published("spoiler_delay_s", 16.0, 1.0),
    ],
    landmarks=[Landmark(16.0, ft(6522.0 - 1500.0), ft(150.0))],
)

_guardia_n1 = {
    "n1.1": [(-5.0, 45.0), (0.0, 33.0), (2.0, 36.0), (6.0, 85.0), (6.5, 91.0), (9.0, 72.0), (14.0, 33.0)],
    "n1.2": [(-5.0, 45.0), (0.0, 33.0), (2.0, 36.0), (6.0, 85.0), (6.5, 85.5), (9.0, 72.0), (14.0, 33.0)],
}
_guardia_epr = {
    "epr.1": [(0.0, 1.03), (2.0, 1.1), (6.0, 1.9), (6.5, 2.07), (9.0, 1.6), (14.0, 1.03)],
    "epr.2": [(0.0, 1.03), (2.0, 1.1), (6.0, 1.9), (6.5, 1.91), (9.0, 1.6), (14.0, 1.03)],
}
_guardia_roll = roll(
    133.0, ("s", 9.0, 105.0), ("m", 180.0, 97.0), ("m", 336.0, 70.0), ("m", 274.0, 0.0), ("s", 3.0, 0.0)
)
LAGUARDIA = Timeline(
    name="laguardia_2015",
    report="NTSB/AAR-16/02, figures of the investigation update of 2 April 2015",
    runway_m=ft(7003.0),
    touchdown_m=ft(600.0),  # from memory
    roll=_guardia_roll,  # later speeds chosen
    signals={
        "spoiler_handle": ramp(1.9, 2.5),
        "nose_gear_ground": [(2.8, 1.0)],
        **both("reverser_state", reverser(0.7, 2.0, 9.0, 11.0)),
        **_guardia_epr,  # 1.6 when stowed: from memory
        **_guardia_n1,  # chosen to follow the pressure ratios
        **brakes(2.8),
        "heading": [
            (6.0, 90.0),
            (9.0, 86.0),
            (12.0, 79.0),
            (15.0, 75.0),
        ],  # diverges at 6 s; by how much is chosen
    },
    rates={"epr": 4.0, "n1": 4.0},
    events={
        "stow_before_idle": "high",
        "heading_excursion": "high",
        "late_spoilers": "low",  # deployed by hand, full at 2.5 s
    },
    possible=("unequal_reverse_power",),
    published=[
        Published("deploy_delay_s", 2.0, engine=1),
        Published("deploy_delay_s", 2.0, engine=2),
        Published("spoiler_delay_s", 2.5, 0.2),
        Published("step:nose_gear", 2.8),
        Published("brake_delay_s", 2.8, 0.1),
        Published("step:stow_start", 9.0, engine=1),
        Published("step:stow_start", 9.0, engine=2),
    ],
    landmarks=[
        Landmark(_guardia_roll[2][0], ft(3000.0), 5.0),
        Landmark(_guardia_roll[3][0], ft(4100.0), 5.0),
        Landmark(_guardia_roll[4][0], ft(5000.0), 5.0, 0.0),
    ],
)

_toronto_roll = roll(148.0, ("m", ft(5200.0), 79.5), ("m", 150.0, 40.0))
TORONTO = Timeline(
    name="toronto_2005",
    report="TSB A05H0002",
    runway_m=ft(9000.0),
    touchdown_m=ft(3800.0),
    roll=_toronto_roll,
    engines=4,
    signals={
        "spoiler_handle": ramp(0.3, 1.0),
        **both("reverse_lever", lever(12.8, 15.4, 40.0, 60.0), 4),
        **both("reverser_state", reverser(13.1, 15.2), 4),
        **both("n1", [(-5.0, 45.0), (0.0, IDLE), (15.2, IDLE), (16.4, 70.0), (40.0, 80.0)], 4),
        "airspeed": [(-30.0, 143.0), (0.0, 143.0), (_toronto_roll[1][0], 74.5)],
    },
    events={"late_reverse": "high", "short_runway_left": "high"},
    possible=("low_deceleration",),
    published=[Published("reverse_select_delay_s", 12.8, engine=n) for n in (1, 2, 3, 4)],
    landmarks=[Landmark(_toronto_roll[1][0], ft(9000.0), 1.0, 79.5)],
)

WARSAW = Timeline(
    name="warsaw_1993",
    report="Main Commission Aircraft Accident Investigation, Warsaw, March 1994",
    runway_m=2800.0,
    touchdown_m=770.0,
    roll=roll(172.0, ("s", 9.0, 154.0), ("s", 2.0, 148.0), ("s", 3.1, 132.0), ("m", 897.0, 72.0), ("s", 1.0, 68.0)),
    signals={
        "main_gear_ground.right": [(0.0, 1.0)],
        "main_gear_ground.left": [(9.0, 1.0)],
        "spoiler_handle": ramp(10.6, 11.0),
        **both("reverser_state", reverser(10.8, 12.8)),  # chosen; full power at 14.1 s
        **both("n1", [(-5.0, 50.0), (0.0, IDLE), (12.8, 35.0), (14.1, 72.0), (40.0, 75.0)]),
        **brakes(13.0),
    },
    events={"late_spoilers": "high", "late_reverse": "high", "late_braking": "medium"},
    possible=("low_deceleration",),
    published=[
        Published("spoiler_delay_first_s", 11.0, 0.2),
        Published("brake_delay_s", 13.0, 0.1),
    ],
    landmarks=[
        Landmark(9.0, 1525.0, 5.0, 154.0),
        Landmark(11.0, 1679.0, 5.0, 148.0),
        Landmark(14.1, 1900.0, 10.0, 132.0),
        Landmark(31.2, 2800.0, 10.0),
    ],
)

CONGONHAS = Timeline(
    name="congonhas_2007",
    report="CENIPA A-67/CENIPA/2009",
    runway_m=1880.0,
    touchdown_m=400.0,  # chosen
    roll=roll(142.0, ("m", 1480.0, 100.0), ("s", 1.0, 96.0)),
    reversers_out=[2],
    signals={
        "spoiler_handle": NO_SPOILERS,
        "spoilers_armed": ARMED,
        "thrust_lever.1": [(-1.0, 25.0), (0.0, 0.0)],
        "thrust_lever.2": [(-30.0, 25.0)],  # in the climb gate to the end
        "reverse_lever.1": [(1.0, 0.0), (1.2, 0.2), (2.8, 0.2), (3.0, 1.0)],
        "reverse_lever.2": NOT_USED,
        "reverser_state.1": reverser(1.3, 2.8),
        "reverser_state.2": NOT_USED,
        "n1.1": [(-5.0, 45.0), (0.0, IDLE), (2.8, IDLE), (7.0, 72.0)],
        "n1.2": [(-5.0, 45.0), (0.0, 50.0), (3.0, 62.0)],
        **brakes(11.0),
    },
    events={"late_spoilers": "high", "forward_power_with_reverser_out": "high", "late_braking": "low"},
    possible=("spoilers_partial", "low_deceleration"),
    published=[Published("brake_delay_s", 11.0, 0.1), Published("spoiler_extension_max", 0.0)],
    landmarks=[Landmark(23.8, 1880.0, 10.0, 100.0)],
)

TAIPEI = Timeline(
    name="taipei_2004",
    report="ASC-AOR-06-03-002",
    runway_m=2600.0,
    touchdown_m=533.0,
    roll=roll(138.0, ("m", 2067.0, 67.0), ("m", 60.0, 0.0)),  # touchdown speed chosen
    reversers_out=[2],
    signals={
        "spoiler_handle": NO_SPOILERS,
        "thrust_lever.1": [(-1.0, 22.5), (0.0, 0.0)],
        "thrust_lever.2": [(-30.0, 22.5)],
        "reverse_lever.1": lever(2.0, 4.2, 32.0, 60.0),
        "reverse_lever.2": NOT_USED,
        "reverser_state.1": reverser(2.3, 4.0),
        "reverser_state.2": NOT_USED,
        "n1.1": power(4.2, 9.0, 72.0, 32.0, 37.0),
        "n1.2": [(-5.0, 50.0), (0.0, 55.0)],
        **brakes(15.0),
    },
    events={
        "late_spoilers": "high",
        "forward_power_with_reverser_out": "high",
        "late_braking": "medium",
        "short_runway_left": "high",
    },
    possible=("spoilers_partial", "low_deceleration", "late_reverser_stow"),
    published=[Published("brake_delay_s", 15.0, 0.1)],
    landmarks=[Landmark(39.2, 2600.0, 10.0, 67.0)],
)
