"""Landings flown with JSBSim, an open flight dynamics library that knows nothing of this project.

`fly(plan, models)` starts on short final in trim, flares with a small control law of our own, touches down when
JSBSim's gear says so, then works spoilers, reversers, levers, brakes and steering by the plan. It returns what
happened every hundredth of a second, from JSBSim's own state.

The models are the "737" and "A320" of the JSBSim distribution. `prepare(folder)` writes them out with three changes:
no network input, lift dump on the A320's spoilers (it has none) and rebound damping in the A320's main struts; the
"A320S" keeps the stock struts, which bounce by themselves. Reverser sleeves, levers and the interlock are ours,
because the models have none: JSBSim turns each engine's thrust by `reverser-angle-rad`, which follows the sleeve.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsbsim
import numpy as np

STEP_S = 0.005
TICK_S = 0.01  # control and log
KT_FPS = 1852 / 3600 / 0.3048
NEVER = math.inf
IDLE_DETENT = 0.2  # of reverse lever travel
FULL_REVERSE_RAD = 2.0  # cosine below zero: JSBSim's engine then pushes backwards
BRAKE_PSI = 3000.0
RUNWAY_HEADING_DEG = 90.0
TAXI_KT, ROTATE_KT = 15.0, 128.0


@dataclass(frozen=True)
class Model:
    """How a stock model is handled: flap of full travel and its property, speed on final, fuel, spoilers."""

    flap: float
    flap_property: tuple[str, float]
    approach_kt: float
    fuel_lb: float
    spoiler_commands: tuple[str, ...]
    spoiler_position: str


_TWO = ("fcs/spoiler-cmd-norm", "fcs/speedbrake-cmd-norm")
_A320 = Model(1.0, ("fcs/flap-pos-deg", 40.0), 150.0, 3000.0, _TWO[1:], "fcs/speedbrake-pos-norm")
MODELS = {
    "737": Model(1.0, ("fcs/flap-pos-norm", 1.0), 135.0, 4000.0, _TWO, "fcs/spoiler-pos-norm"),
    "A320": _A320,
    "A320S": _A320,
}


@dataclass(frozen=True)
class Plan:
    """What the crew and the aircraft do. Delays in seconds after first main-gear contact, speeds are ground speed.

    spoilers_s        spoilers commanded, NEVER for not at all (full travel takes the models 0.6 s and 2 s)
    spoiler_travel    how far they go
    retract_kt        spoilers retracted by hand below this speed; 0 for on leaving the runway
    select_s          reverse levers raised to the idle detent, per engine; NEVER leaves the lever down
    transit_s         sleeve travel from unlocked to deployed, per engine; NEVER stops it part way
    power             where the reverse levers go once the interlock releases, fraction of reverse travel
    reduce_kt         levers back to the idle detent
    stow_kt, stow_s   levers down below this speed, and not before this time
    forward_throttle  held by engine 2 from touchdown on, its reverser stowed; 0 for none
    go_around_s       levers down and full power from this time on; NEVER for a full stop
    flare_ft, sink_fps   height at which the flare begins, sink rate it aims for
    fuel_lb           in each wing tank; 0 for the model's usual
    end_kt            the log ends 3 s after this speed; 0 for the turn-off and some taxiing
    """

    name: str = "normal"
    model: str = "737"
    spoilers_s: float = 0.3
    spoiler_travel: float = 1.0
    retract_kt: float = 0.0
    spoilers_armed: bool = True
    select_s: tuple[float, float] = (2.0, 2.0)
    transit_s: tuple[float, float] = (1.8, 1.8)
    stow_transit_s: tuple[float, float] = (3.0, 3.0)
    power: tuple[float, float] = (0.8, 0.8)
    reduce_kt: float = 65.0
    stow_kt: float = 40.0
    stow_s: float = 0.0
    forward_throttle: float = 0.0
    brakes_s: float = 3.0
    brake: float = 0.35
    go_around_s: float = NEVER
    flare_ft: float = 55.0
    sink_fps: float = 1.5
    headwind_kt: float = 0.0
    leaves_runway: bool = True
    fuel_lb: float = 0.0
    end_kt: float = 0.0


@dataclass(frozen=True)
class Flown:
    """One landing as JSBSim had it: `log[name]` holds float64 (n,) on `time_s`, every 0.01 s."""

    plan: Plan
    time_s: np.ndarray
    log: dict[str, np.ndarray]


_READ = {
    "ground_speed_kt": ("velocities/vg-fps", 1 / KT_FPS),
    "airspeed_kt": ("velocities/vc-kts", 1.0),
    "height_ft": ("gear/unit[1]/AGL-ft", 1.0),
    "sink_fps": ("velocities/h-dot-fps", -1.0),
    "normal_g": ("accelerations/Nz", 1.0),
    "longitudinal_g": ("accelerations/Nx", 1.0),
    "heading_deg": ("attitude/psi-deg", 1.0),
    "pitch_deg": ("attitude/theta-deg", 1.0),
    "roll_deg": ("attitude/phi-deg", 1.0),
    "pitch_rate": ("velocities/q-rad_sec", 1.0),
    "yaw_rate": ("velocities/r-rad_sec", 1.0),
    "latitude_deg": ("position/lat-geod-deg", 1.0),
    "longitude_deg": ("position/long-gc-deg", 1.0),
    "distance_m": ("position/distance-from-start-mag-mt", 1.0),
    "nose_on": ("gear/unit[0]/WOW", 1.0),
    "left_on": ("gear/unit[1]/WOW", 1.0),
    "right_on": ("gear/unit[2]/WOW", 1.0),
    "n1_1": ("propulsion/engine[0]/n1", 1.0),
    "n1_2": ("propulsion/engine[1]/n1", 1.0),
    "weight_kg": ("inertia/weight-lbs", 0.45359237),
}

_LIFT_DUMP = (
    '<axis name="LIFT"><function name="aero/coefficient/CL_lift_dump"><product><property>aero/qbar-psf</property>'
    "<property>metrics/Sw-sqft</property><property>fcs/speedbrake-pos-norm</property><value>-0.6</value>"
    "</product></function>"
)
_REBOUND = '12000 </damping_coeff><damping_coeff_rebound unit="LBS/FT/SEC">40000</damping_coeff_rebound>'


class Simulator:
    """JSBSim with its properties by name. Each is looked up once: by name it takes longer than the flight itself."""

    def __init__(self, executive: Any) -> None:
        self.run = executive.run
        self._find = executive.get_property_manager().get_node
        self._nodes: dict[str, Any] = {}

    def node(self, path: str) -> Any:
        """The property itself; KeyError where the model has none of that name."""
        if path not in self._nodes:
            found = self._find(path)
            if found is None:
                raise KeyError(path)
            self._nodes[path] = found
        return self._nodes[path]

    def __getitem__(self, path: str) -> float:
        return self.node(path).get_double_value()

    def __setitem__(self, path: str, value: float) -> None:
        self.node(path).set_double_value(value)


def prepare(folder: Path) -> Path:
    """Write the models that `fly` uses into a folder, from the installed JSBSim distribution."""
    stock = Path(jsbsim.get_default_root_dir()) / "aircraft"
    for name in MODELS:
        source = name.removesuffix("S")
        text = (stock / source / f"{source}.xml").read_text()
        text = re.sub(r"<input port.*?(/>|</input>)", "", text, flags=re.DOTALL)
        if source == "A320":
            text = text.replace('<axis name="LIFT">', _LIFT_DUMP)
        if name == "A320":
            text = text.replace("12000 </damping_coeff>", _REBOUND)
        (folder / name).mkdir(parents=True, exist_ok=True)
        (folder / name / f"{name}.xml").write_text(text)
    return folder


@dataclass
class _Engine:
    """Reverse lever, interlock and sleeve of one engine; all positions run from 0 to 1."""

    transit_s: float
    stow_transit_s: float
    lever: float = 0.0
    sleeve: float = 0.0
    at_detent_s: float = 0.0

    def move(self, goal: float) -> None:
        """One tick towards a lever goal. The interlock holds the lever at the detent until the sleeve is home."""
        top = 1.0 if self.sleeve >= 1.0 else IDLE_DETENT
        self.lever += _limit(min(goal, top) - self.lever, 1.5 * TICK_S)
        if goal > 0 and self.lever > IDLE_DETENT - 1e-6:
            self.at_detent_s += TICK_S
            if self.at_detent_s > 0.25:
                stuck = math.isinf(self.transit_s)
                self.sleeve = min(0.35 if stuck else 1.0, self.sleeve + TICK_S / (1.8 if stuck else self.transit_s))
        elif goal <= 0 and self.lever < IDLE_DETENT / 2:
            self.at_detent_s = 0.0
            self.sleeve = max(0.0, self.sleeve - TICK_S / self.stow_transit_s)

    @property
    def throttle(self) -> float:
        """Throttle that the engine control allows: idle unless the sleeve is home and the lever past the detent."""
        return 0.9 * max(0.0, self.lever - IDLE_DETENT) / (1 - IDLE_DETENT) if self.sleeve >= 1.0 else 0.0


@dataclass
class _Memory:
    """What the pilot remembers between ticks."""

    touchdown_s: float | None = None
    exit_s: float | None = None
    slow_s: float | None = None
    reduced: bool = False
    stowed: bool = False
    going_around: bool = False
    pitch_goal: float = 0.0
    pitch_trim: float = 0.0
    gain_sum: float = 0.0
    throttle: float = 0.0
    approach_throttle: float = 0.0
    brake: float = 0.0
    heading_goal: float = RUNWAY_HEADING_DEG


def _limit(x: float, most: float) -> float:
    return max(-most, min(most, x))


def fly(plan: Plan, models: Path, brakes: Brakes | None = None) -> Flown:
    """Fly one landing by its plan with the models in a folder that `prepare` wrote; deterministic.

    brakes    works the wheel brakes at every tick, in place of the plan's constant pedals
    """
    fdm, memory = _start(plan, models)
    engines = [_Engine(t, s) for t, s in zip(plan.transit_s, plan.stow_transit_s, strict=True)]
    read = [(name, fdm.node(path).get_double_value, factor) for name, (path, factor) in _READ.items()]
    rows: list[list[float]] = []
    time_s = 0.0
    while not _over(plan, memory, time_s):
        now = {name: value() * factor for name, value, factor in read}
        _look(plan, memory, now, time_s, engines)
        _pitch(fdm, plan, memory, now)
        _steer(fdm, memory, now, time_s)
        _thrust(fdm, plan, memory, engines, now, time_s)
        _spoilers(fdm, plan, memory, now, time_s)
        (brakes or pedals)(fdm, plan, memory, now, time_s)
        rows.append([time_s, *now.values(), *_ours(fdm, plan, memory, engines)])
        fdm.run()
        fdm.run()
        time_s = round(time_s + TICK_S, 6)
    log = dict(zip(("time_s", *_READ, *_OURS), np.array(rows).T, strict=True))
    return Flown(plan, log.pop("time_s"), log)


_OURS = (
    "sleeve_1",
    "sleeve_2",
    "lever_1",
    "lever_2",
    "thrust_lever_1",
    "thrust_lever_2",
    "brake_psi",
    "spoiler",
    "autothrottle",
)


def _ours(fdm: Simulator, plan: Plan, memory: _Memory, engines: list[_Engine]) -> list[float]:
    forward = [0.0 if engine.lever > 0 else 50.0 * memory.throttle for engine in engines]
    if plan.forward_throttle and memory.touchdown_s is not None:
        forward[1] = 50.0 * plan.forward_throttle
    return [
        *(engine.sleeve for engine in engines),
        *(engine.lever for engine in engines),
        *forward,
        memory.brake * BRAKE_PSI,
        float(fdm[MODELS[plan.model].spoiler_position]),
        float(all(engine.lever <= 0 for engine in engines) and memory.touchdown_s is None),
    ]


def _start(plan: Plan, models: Path) -> tuple[Simulator, _Memory]:
    """JSBSim in trim on a three degree path at 150 ft."""
    model = MODELS[plan.model]
    fdm = jsbsim.FGFDMExec(None)
    fdm.set_debug_level(0)
    fdm.set_dt(STEP_S)
    root = Path(jsbsim.get_default_root_dir())
    fdm.load_model_with_paths(plan.model, str(models), str(root / "engine"), str(root / "systems"), True)
    for tank in (0, 1):
        fdm[f"propulsion/tank[{tank}]/contents-lbs"] = plan.fuel_lb or model.fuel_lb
    fdm["gear/gear-cmd-norm"] = fdm["gear/gear-pos-norm"] = 1.0
    fdm["fcs/flap-cmd-norm"] = model.flap
    fdm[model.flap_property[0]] = model.flap * model.flap_property[1]
    fdm["ic/h-agl-ft"] = 150.0
    fdm["ic/lat-geod-deg"], fdm["ic/long-gc-deg"] = 10.0, 20.0
    fdm["ic/psi-true-deg"] = RUNWAY_HEADING_DEG
    fdm["ic/vc-kts"], fdm["ic/alpha-deg"], fdm["ic/gamma-deg"] = model.approach_kt, 4.0, -3.0
    fdm.run_ic()
    fdm["propulsion/set-running"] = -1
    fdm["simulation/do_simple_trim"] = 0
    fdm["atmosphere/wind-east-fps"] = -plan.headwind_kt * KT_FPS
    memory = _Memory(
        pitch_trim=float(fdm["attitude/theta-rad"]), approach_throttle=float(fdm["fcs/throttle-cmd-norm[0]"])
    )
    return Simulator(fdm), memory


def _over(plan: Plan, memory: _Memory, time_s: float) -> bool:
    if plan.end_kt and memory.slow_s is not None:
        return time_s > memory.slow_s + 3.0
    if memory.exit_s is not None:
        return time_s > memory.exit_s + (14.0 if plan.leaves_runway else 25.0)
    return time_s > 150.0 or time_s > (memory.touchdown_s or NEVER) + plan.go_around_s + 25.0


def _look(plan: Plan, memory: _Memory, now: dict[str, float], time_s: float, engines: list[_Engine]) -> None:
    """Notice touchdown, the call-outs and the turn-off."""
    if memory.touchdown_s is None and (now["left_on"] or now["right_on"]):
        memory.touchdown_s = time_s
        memory.pitch_goal = min(memory.pitch_goal, math.radians(now["pitch_deg"]))
    if memory.touchdown_s is None:
        return
    speed = now["ground_speed_kt"]
    if speed < plan.end_kt and memory.slow_s is None:
        memory.slow_s = time_s
    memory.reduced |= speed < plan.reduce_kt
    memory.stowed |= speed < plan.stow_kt and time_s > memory.touchdown_s + plan.stow_s
    memory.going_around |= time_s > memory.touchdown_s + plan.go_around_s
    memory.stowed |= memory.going_around
    if speed < TAXI_KT + 2 and memory.exit_s is None and memory.stowed and all(e.sleeve <= 0 for e in engines):
        memory.exit_s = time_s + 3.0


def _pitch(fdm: Simulator, plan: Plan, memory: _Memory, now: dict[str, float]) -> None:
    """Hold three degrees, flare, and after contact lower the nose; raise it again to fly away."""
    if memory.touchdown_s is None:
        speed, height = now["ground_speed_kt"] * KT_FPS, now["height_ft"]
        steady = speed * math.tan(math.radians(3))
        flaring = height < plan.flare_ft
        wanted = plan.sink_fps + (steady - plan.sink_fps) * height / plan.flare_ft if flaring else steady
        error = (now["sink_fps"] - wanted) / speed
        memory.gain_sum += error * TICK_S * (1.0 if flaring else 0.5)
        memory.pitch_goal = memory.pitch_trim + 1.5 * error + memory.gain_sum
    elif memory.going_around and now["airspeed_kt"] > ROTATE_KT:
        memory.pitch_goal = min(math.radians(10.0), memory.pitch_goal + math.radians(3.0) * TICK_S)
    else:
        memory.pitch_goal = max(0.0, memory.pitch_goal - math.radians(2.5) * TICK_S)
    command = 6.0 * (math.radians(now["pitch_deg"]) - memory.pitch_goal) + 3.0 * now["pitch_rate"]
    fdm["fcs/elevator-cmd-norm"] = _limit(command, 1.0)
    fdm["fcs/aileron-cmd-norm"] = _limit(-2.0 * math.radians(now["roll_deg"]), 1.0)


def _steer(fdm: Simulator, memory: _Memory, now: dict[str, float], time_s: float) -> None:
    """Keep the heading with rudder and nose wheel; turn off when it is time."""
    if memory.exit_s is not None and time_s > memory.exit_s:
        memory.heading_goal = min(RUNWAY_HEADING_DEG + 60, memory.heading_goal + 7.0 * TICK_S)
    error = math.radians(memory.heading_goal - now["heading_deg"])
    command = _limit(4.0 * error - 2.0 * now["yaw_rate"], 1.0)
    fdm["fcs/rudder-cmd-norm"] = -command
    fdm["fcs/steer-cmd-norm"] = command


def _thrust(
    fdm: Simulator, plan: Plan, memory: _Memory, engines: list[_Engine], now: dict[str, float], time_s: float
) -> None:
    """Approach power, closed in the flare; then the reverse levers by the plan, engine by engine."""
    since = -1.0 if memory.touchdown_s is None else time_s - memory.touchdown_s
    if memory.touchdown_s is None:
        memory.throttle = memory.approach_throttle * _limit(max(0.0, (now["height_ft"] - 8) / 25), 1.0)
    else:
        ready = memory.going_around and all(engine.sleeve <= 0 for engine in engines)
        memory.throttle = 1.0 if ready else 0.0
    for n, engine in enumerate(engines):
        if since >= plan.select_s[n] and not memory.stowed:
            goal = IDLE_DETENT if memory.reduced else max(IDLE_DETENT, plan.power[n])
        else:
            goal = 0.0
        engine.move(goal)
        held = n == 1 and since >= 0 and plan.forward_throttle > 0
        forward = plan.forward_throttle if held else memory.throttle
        fdm[f"fcs/throttle-cmd-norm[{n}]"] = engine.throttle if engine.lever > 0 else forward
        fdm[f"propulsion/engine[{n}]/reverser-angle-rad"] = FULL_REVERSE_RAD * engine.sleeve


def _spoilers(fdm: Simulator, plan: Plan, memory: _Memory, now: dict[str, float], time_s: float) -> None:
    """Spoilers by the plan."""
    since = -1.0 if memory.touchdown_s is None else time_s - memory.touchdown_s
    up = since >= plan.spoilers_s and not memory.exit_s and now["ground_speed_kt"] > plan.retract_kt
    up &= not memory.going_around
    for command in MODELS[plan.model].spoiler_commands:
        fdm[command] = plan.spoiler_travel if up else 0.0


def pedals(fdm: Simulator, plan: Plan, memory: _Memory, now: dict[str, float], time_s: float) -> None:
    """Pedals by the plan; at taxi speed they hold that speed."""
    since = -1.0 if memory.touchdown_s is None else time_s - memory.touchdown_s
    wanted = plan.brake if since >= plan.brakes_s and not memory.going_around else 0.0
    if now["ground_speed_kt"] < TAXI_KT + 8:
        wanted = min(wanted, max(0.0, 0.06 * (now["ground_speed_kt"] - TAXI_KT)))
    memory.brake += _limit(wanted - memory.brake, plan.brake * TICK_S / 0.3)
    fdm["fcs/left-brake-cmd-norm"] = fdm["fcs/right-brake-cmd-norm"] = memory.brake


Brakes = Callable[[Simulator, Plan, _Memory, dict[str, float], float], None]
