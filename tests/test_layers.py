"""How the parts hang together: imports point one way, nothing is left lying, everything public says what it is."""

from __future__ import annotations

import ast
import re
from collections import Counter
from functools import cache
from pathlib import Path

import pytest

from fdm.measures import CATALOGUE
from fdm.rulebook import load_rule_book

TOP = Path(__file__).parent.parent
PACKAGES = ("fdm", "dashboard", "sample_flights", "rules")

# Measures that no rule judges: told in exports, debriefs and as evidence of where an event came from.
SPARE = {
    "bounces",
    "deceleration_first_10s_g",
    "deploy_delay_s",
    "deploy_split_s",
    "idle_n1_pct",
    "landing_distance_factor",
    "n1_above_idle_below_60kt_pct",
    "n1_above_idle_below_taxi_pct",
    "overrun_speed_first_10s_kt",
    "reverse_idle_speed_kt",
    "rollout_30_m",
    "rollout_60_m",
    "room_by_condition_code_m",
    "runway_left_taxi_m",
    "spoiler_delay_first_s",
    "spoiler_start_delay_s",
    "spoiler_travel_s",
    "stow_start_speed_kt",
    "stow_transit_s",
    "stowed_speed_kt",
    "touchdown_ground_speed_kt",
}


def sources(package: str) -> list[Path]:
    return sorted((TOP / package).rglob("*.py"))


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def imports(path: Path) -> set[str]:
    """Every module that a file imports when run, also inside functions: fdm.rule for `from fdm.rule import Rule`."""
    found: set[str] = set()
    tree = parsed(path)
    for_types = {n for block in ast.walk(tree) if is_for_types_only(block) for n in ast.walk(block)}
    for node in ast.walk(tree):
        if node in for_types:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}:{node.lineno}: imports are written out in full"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Call) and ast.unparse(node.func) in {"import_module", "importlib.import_module"}:
            found |= {arg.value for arg in node.args if isinstance(arg, ast.Constant) and isinstance(arg.value, str)}
    return found


def is_for_types_only(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"


def order_of_the_engine() -> list[str]:
    """Modules of the engine, bottom to top, as its page lists them."""
    return re.findall(r"^- `(\w+)`", (TOP / "fdm" / "README.md").read_text(encoding="utf-8"), re.M)


def engine_module(path: Path) -> str:
    return path.relative_to(TOP / "fdm").parts[0].removesuffix(".py")


def test_every_module_of_the_engine_is_on_its_page_once() -> None:
    there = {engine_module(path) for path in sources("fdm")} - {"__init__", "__main__"}
    assert Counter(order_of_the_engine()) == Counter(there)


@pytest.mark.parametrize("path", sources("fdm"), ids=lambda p: str(p.relative_to(TOP)))
def test_imports_in_the_engine_point_down(path: Path) -> None:
    module = engine_module(path)
    if module == "__main__":
        return
    order = order_of_the_engine()
    below = set(order[: order.index(module) + 1]) if module != "__init__" else set()
    used = {name.split(".")[1] for name in imports(path) if name.startswith("fdm.")}
    upwards = {name for name in used if name in order} - below
    assert not upwards, f"{module} imports from above: {sorted(upwards)}"


def test_only_the_command_line_of_the_engine_knows_the_dashboard() -> None:
    users = {engine_module(p) for p in sources("fdm") for name in imports(p) if name.split(".")[0] == "dashboard"}
    assert users == {"cli"}


def test_nothing_else_of_the_engine_knows_the_command_line() -> None:
    users = {str(p.relative_to(TOP)) for p in sources("fdm") for n in imports(p) if n.startswith("fdm.cli")}
    outside = {user for user in users if not user.startswith("fdm/cli/")}
    assert outside == {"fdm/__main__.py"}


def test_the_dashboard_never_computes() -> None:
    barred = {"fdm.engine", "fdm.loading", "fdm.measuring", "fdm.judge", "fdm.reading", "fdm.cli", "sample_flights"}
    for path in sources("dashboard"):
        used = {name for name in imports(path) if any(name == b or name.startswith(f"{b}.") for b in barred)}
        assert not used, f"{path.relative_to(TOP)} imports {sorted(used)}"


def test_the_invented_airline_knows_nothing_of_the_engine() -> None:
    for path in sources("sample_flights"):
        used = {name for name in imports(path) if name.split(".")[0] in {"fdm", "dashboard", "rules"}}
        assert not used, f"{path.relative_to(TOP)} imports {sorted(used)}"


def test_packages_hang_together_without_cycles() -> None:
    graph: dict[str, set[str]] = {}
    names = {name_of(path): path for package in PACKAGES for path in sources(package)}
    for name, path in names.items():
        graph[name] = {used for used in imports(path) if used in names and used != name}
    seen: dict[str, int] = {}

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert seen.get(name) != 1, f"cycle: {' > '.join((*trail[trail.index(name) :], name))}"
        if name in seen:
            return
        seen[name] = 1
        for used in sorted(graph[name]):
            if not name.startswith(f"{used}."):  # a package's own __init__ is run on the way to any of its modules
                visit(used, (*trail, name))
        seen[name] = 2

    for name in sorted(graph):
        visit(name, ())


def name_of(path: Path) -> str:
    parts = path.relative_to(TOP).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def test_every_measure_is_judged_by_a_rule_or_known_to_be_spare() -> None:
    judged = {rule.measure for rule in load_rule_book().rules.values()}
    arguing = ("fdm.measures.clues", "fdm.measures.reverse_levers")
    clues = {name for name, measure in CATALOGUE.items() if measure.function.__module__ in arguing}
    assert judged - set(CATALOGUE) == set()
    assert set(CATALOGUE) - judged - clues == SPARE


def test_every_rule_stands_in_the_readme_with_its_limits() -> None:
    text = (TOP / "README.md").read_text(encoding="utf-8")
    lines = (line.strip("|").split("|") for line in text.splitlines() if line.startswith("| "))
    rows = {cells[0].strip(): cells[2:5] for cells in lines}
    for rule in load_rule_book().rules.values():
        assert rule.title in rows, f"README.md does not list '{rule.title}'"
        if rule.unit == "count":
            continue
        said = [float(re.sub(r"[^\d.]", "", cell)) for cell in rows[rule.title]]
        scale = 100 if rule.unit == "fraction" else 1
        assert said == pytest.approx([limit * scale for limit in rule.limits if limit is not None]), rule.name


def test_every_test_function_is_one_that_pytest_collects() -> None:
    for path in (TOP / "tests").rglob("*.py"):
        tree = parsed(path)
        functions = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef) and n.name.startswith("test")]
        classes = [n for n in tree.body if isinstance(n, ast.ClassDef) and n.name.startswith("Test")]
        reached = [n for scope in (tree, *classes) for n in scope.body if isinstance(n, ast.FunctionDef)]
        assert path.name.startswith("test_") or not functions, f"{path.name} holds tests but is not named test_*.py"
        for function in functions:
            assert function in reached, f"{path.name}:{function.lineno}: pytest does not look at {function.name} there"
            assert function.name.startswith("test_"), f"{path.name}:{function.lineno}: {function.name}"
        names = Counter(f.name for f in tree.body if isinstance(f, ast.FunctionDef))
        assert not [name for name, n in names.items() if n > 1], f"{path.name}: two functions of one name"


def public(tree: ast.Module) -> list[ast.FunctionDef | ast.ClassDef]:
    """Public functions and classes of a module, and public methods of its public classes."""
    found = [n for n in tree.body if isinstance(n, ast.FunctionDef | ast.ClassDef) and not n.name.startswith("_")]
    for node in list(found):
        if isinstance(node, ast.ClassDef) and not is_protocol(node):
            found += [n for n in node.body if isinstance(n, ast.FunctionDef) and not n.name.startswith("_")]
    return found


def is_protocol(node: ast.ClassDef) -> bool:
    return any(ast.unparse(base).startswith("Protocol") for base in node.bases)


@pytest.mark.parametrize("package", PACKAGES)
def test_every_module_says_what_it_is_for(package: str) -> None:
    assert not [str(p.relative_to(TOP)) for p in sources(package) if not ast.get_docstring(parsed(p))]


@pytest.mark.parametrize("package", ["fdm", "dashboard"])
def test_everything_public_says_what_it_is(package: str) -> None:
    silent = []
    for path in sources(package):
        tree = parsed(path)
        silent += [f"{path.relative_to(TOP)}:{n.lineno} {n.name}" for n in public(tree) if not ast.get_docstring(n)]
    assert not silent, "\n".join(silent)


@pytest.mark.parametrize("package", PACKAGES)
def test_no_eval_and_no_bare_except(package: str) -> None:
    for path in sources(package):
        for node in ast.walk(parsed(path)):
            if isinstance(node, ast.ExceptHandler):
                assert node.type is not None, f"{path}:{node.lineno}"
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id not in {"eval", "exec", "print"} or path.name == "make.py", f"{path}:{node.lineno}"
