"""The house itself: floors, circles, sizes, names, doors. Each law reads the source, not a copy of it."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "yieldsim"
FLOOR = {
    "base": 0,
    "sky": 1,
    "ground": 1,
    "optics": 1,
    "thermal": 1,
    "files": 1,
    "report": 1,
    "energy": 2,
    "planning": 3,
    "runs": 4,
    "cli": 5,
}
LONGEST_LINES = 400
MOST_MODULES = 16
"""In one folder: what a reader takes in at a glance, and a little."""
SOURCES = sorted(PACKAGE.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("*.py"))
DOORS = {PACKAGE / "__init__.py", PACKAGE / "__main__.py"}
ROOMS = [path for path in SOURCES if path not in DOORS]
VERBS = (
    "estimate",
    "orient",
    "rank",
    "horizon",
    "survey",
    "trace",
    "tune",
    "budget",
    "page",
    "design",
    "growth",
)


def name_of(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def room_of(module: str) -> str:
    return module.split(".")[1]


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imports_of(path: Path) -> set[str]:
    """Modules of the package that a module imports anywhere, also inside functions and for types only."""
    known = {name_of(source) for source in SOURCES}
    found: set[str] = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names if alias.name.startswith("yieldsim")}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)} line {node.lineno}: relative import"
            if node.module and node.module.startswith("yieldsim"):
                whole = {f"{node.module}.{alias.name}" for alias in node.names}
                found |= (whole & known) or {node.module}
    return found


def ids(path: Path) -> str:
    return name_of(path)


def test_every_room_has_a_floor() -> None:
    rooms = {path.parent.name for path in PACKAGE.glob("*/__init__.py")}
    assert rooms == set(FLOOR)
    assert {path.name for path in PACKAGE.glob("*.py")} == {path.name for path in DOORS}


@pytest.mark.parametrize("path", ROOMS, ids=ids)
def test_imports_go_down(path: Path) -> None:
    room = room_of(name_of(path))
    for module in sorted(imports_of(path)):
        assert module != "yieldsim", "a room does not import the front door"
        other = room_of(module)
        assert other == room or FLOOR[other] < FLOOR[room], f"{room} must not know {module}"


def test_no_circle_of_modules() -> None:
    graph = {name_of(path): imports_of(path) for path in ROOMS}
    done: set[str] = set()

    def visit(module: str, trail: tuple[str, ...]) -> None:
        assert module not in trail, " -> ".join((*trail[trail.index(module) :], module))
        if module not in done:
            for other in sorted(graph.get(module, ())):
                visit(other, (*trail, module))
            done.add(module)

    for module in graph:
        visit(module, ())


def folder_of(module: str) -> str:
    """The folder inside a room; a module that stands in the room itself is a folder of its own."""
    parts = module.split(".")
    return ".".join(parts[:3])


def test_no_circle_of_folders() -> None:
    """Folders of one room stand one above the other, as rooms do."""
    graph: dict[str, set[str]] = {}
    for path in ROOMS:
        module = name_of(path)
        here = folder_of(module)
        others = {folder_of(other) for other in imports_of(path) if room_of(other) == room_of(module)}
        graph.setdefault(here, set()).update(others - {here})
    waiting = set(graph)
    while waiting:
        ready = {folder for folder in waiting if not graph[folder] & waiting}
        assert ready, f"a circle among {sorted(waiting)}"
        waiting -= ready


@pytest.mark.parametrize("folder", sorted({path.parent for path in ROOMS}), ids=lambda path: path.name)
def test_folders_list_at_a_glance(folder: Path) -> None:
    modules = [path.name for path in folder.glob("*.py") if path.name != "__init__.py"]
    assert len(modules) <= MOST_MODULES, f"{len(modules)} modules: two rooms?"


@pytest.mark.parametrize("path", [*SOURCES, *TESTS], ids=ids)
def test_size_and_name_of_modules(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").count("\n")
    assert lines <= LONGEST_LINES, f"{lines} lines: two topics?"
    assert path.stem not in {"util", "utils", "helper", "helpers", "common", "misc"}


@pytest.mark.parametrize("path", ROOMS, ids=ids)
def test_only_files_opens_and_only_cli_prints(path: Path) -> None:
    room = room_of(name_of(path))
    for node in ast.walk(tree_of(path)):
        if not isinstance(node, ast.Call):
            continue
        called = node.func.id if isinstance(node.func, ast.Name) else getattr(node.func, "attr", "")
        opens = {
            "open",
            "read_text",
            "read_bytes",
            "write_text",
            "write_bytes",
            "fromfile",
            "tofile",
            "savetxt",
        }
        if called in opens and ast.unparse(node.func) != "os.open":
            assert room == "files", f"line {node.lineno}: {called}() outside files"
        if called in {"print", "echo"}:
            assert room == "cli", f"line {node.lineno}: {called}() outside cli"


@pytest.mark.parametrize("path", ROOMS, ids=ids)
def test_kernels_are_compiled_by_the_one_decorator(path: Path) -> None:
    """Numba's own caches code that other modules' kernels are part of without looking at those."""
    if name_of(path) == "yieldsim.base.numerics.jit":
        return
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.ImportFrom) and node.module == "numba":
            taken = {alias.name for alias in node.names}
            assert taken <= {"prange", "get_num_threads", "set_num_threads"}, f"line {node.lineno}: {taken}"
        if isinstance(node, ast.Import):
            assert not any(alias.name.split(".")[0] == "numba" for alias in node.names), f"line {node.lineno}"


@pytest.mark.parametrize("path", SOURCES, ids=ids)
def test_nothing_is_left_for_later(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for word in ("TO" + "DO", "FIX" + "ME", "X" + "XX", "NotImplemented" + "Error"):
        assert word not in text


# ---------------------------------------------------------------- names

UNIT = re.compile(
    r"(^|_)(deg|rad|mrad|sr|m|m2|cm2|mm|km|nm|um|au|in|s|minutes|hours|days?|sol|years?|century|cycle|w|kwh|j|kg|k|gy|kgy|xyz)$"
)
"""The last part of a name that says a unit: `_w_m2_sr` ends in `_sr`, `loss_per_day` in `_day`."""

PURE = re.compile(
    r"(^|_)(transmittance|reflectance|emittance|absorptance|optical_depth|refractive_index|index|count|fraction|"
    r"efficiency|ratio|removal|removes|packing|reflection|coupling|floor|exponent|numerical_aperture|air_mass|"
    r"concentration|weights?|share|tolerance|relative_change|conic_constant|view|sd|reliability)$"
)
UNNAMED = {
    "OpticalDepthTable.x": "the field beside it says against what",
    "Word.low": "in the unit of the word",
    "Word.high": "in the unit of the word",
    "Range.low": "in the unit of the field",
    "Range.high": "in the unit of the field",
    "Range.above": "in the unit of the field",
    "Range.below": "in the unit of the field",
    "Strips.x": "in radii of the disc",
    "Strips.half_chord": "in radii of the disc",
    "Strips.cumulative": "a share of the disc's light",
    "LoadSeries.x": "the field beside it says against what",
    "LoadSeries.amount": "in the unit of the load",
    "Load.lamp_yield": "in the unit of the load, by the watt",
    "LoadPlan.light_per_electric": "watts of light by the electric watt",
}
"""Bare numbers whose name says no unit, each with the reason."""


def is_plain_number(annotation: ast.expr | None) -> bool:
    """Whether an annotation is a bare float or an array of them (containers say more than a unit could)."""
    words = ast.unparse(annotation) if annotation is not None else ""
    words = re.sub(r"Annotated\[(\w+), .*\]", r"\1", words)
    return words in {"float", "FloatArray", "float | None", "FloatArray | None"}


def unit_less(path: Path) -> list[str]:
    """Numbers in public dataclass fields whose names say neither a unit nor a pure number."""
    found = []
    for node in tree_of(path).body:
        if not isinstance(node, ast.ClassDef) or node.name.startswith("_"):
            continue
        for field in node.body:
            if not isinstance(field, ast.AnnAssign) or not isinstance(field.target, ast.Name):
                continue
            name = field.target.id
            said = UNIT.search(name) or PURE.search(name) or f"{node.name}.{name}" in UNNAMED
            if not name.startswith("_") and is_plain_number(field.annotation) and not said:
                found.append(f"{node.name}.{name}")
    return found


@pytest.mark.parametrize("path", [path for path in ROOMS if path.parent.name == "base"], ids=ids)
def test_numbers_that_travel_carry_units(path: Path) -> None:
    """The nouns of base are what rooms and users hand on; kernels below them may use bare letters."""
    assert not unit_less(path)


# ---------------------------------------------------------------- doors


def test_public_verbs_are_exactly_the_runs() -> None:
    import yieldsim

    there = [verb for verb in VERBS if (PACKAGE / "runs" / verb / "run.py").exists()]
    offered = [
        verb
        for verb in there
        if any(
            isinstance(node, ast.FunctionDef) and node.name == verb
            for node in tree_of(PACKAGE / "runs" / verb / "run.py").body
        )
    ]
    assert sorted(yieldsim.VERBS) == sorted(offered)
    for name in yieldsim.__all__:
        assert getattr(yieldsim, name).__doc__, name
    for verb in yieldsim.VERBS:
        assert getattr(yieldsim, verb).__module__ == f"yieldsim.runs.{verb}.run"
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = yieldsim.nothing


def test_constants_and_words_are_used() -> None:
    texts = {path: path.read_text(encoding="utf-8") for path in SOURCES}
    used = {path: set(re.findall(r"\w+", text)) for path, text in texts.items()}
    constants = PACKAGE / "base" / "constants.py"
    names = [
        node.target.id
        for node in tree_of(constants).body
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)
    ]
    assert names
    vocabulary = PACKAGE / "base" / "variables.py"
    for home, words in (
        (constants, names),
        (vocabulary, re.findall(r'^    "(\w+)": Word\(', texts[vocabulary], re.M)),
    ):
        assert words
        for word in words:
            users = [path for path, said in used.items() if path != home and word in said]
            assert users, f"{word} of {home.name} is used nowhere"


CITED = re.compile(
    r"\b(?:yieldsim|tests|sites|ephemeris_cache|reports)/[\w./-]*\.(?:py|md|toml|csv|tf|bpc|json)\b"
)


@pytest.mark.parametrize(
    "path",
    [*SOURCES, *sorted((ROOT / "tests").rglob("*.py")), *sorted(ROOT.glob("*.md"))],
    ids=lambda path: str(path.relative_to(ROOT)),
)
def test_cited_files_exist(path: Path) -> None:
    for cited in CITED.findall(path.read_text(encoding="utf-8")):
        assert (ROOT / cited).exists(), f"{cited} is cited but not there"


def test_words_of_the_vocabulary_end_in_their_units() -> None:
    from yieldsim.base.variables import VOCABULARY

    suffix = {
        "degree": "_deg",
        "hour": "_hours",
        "day": "_days",
        "W": "_w",
        "W m-2": "_w_m2",
        "kWh m-2": "_kwh_m2",
        "kWh": "_kwh",
        "m": "_m",
        "K": "_k",
    }
    suffix |= {"au": "_au", "astronomical_unit": "_au"}
    for name, word in VOCABULARY.items():
        if word.unit == "1":
            assert PURE.search(name), name
        else:
            assert word.unit in suffix, f"how does a name end that is in {word.unit}?"
            assert name.endswith(suffix[word.unit]), name


def test_numbers_that_public_verbs_take_carry_units() -> None:
    import yieldsim

    for verb in yieldsim.VERBS:
        tree = tree_of(PACKAGE / "runs" / verb / "run.py")
        function = next(node for node in tree.body if isinstance(node, ast.FunctionDef) and node.name == verb)
        for argument in (*function.args.args, *function.args.kwonlyargs):
            if is_plain_number(argument.annotation):
                assert UNIT.search(argument.arg) or PURE.search(argument.arg), f"{verb}: {argument.arg}"


def test_no_private_module_of_a_library_is_imported() -> None:
    """They come and go with versions that pyproject.toml admits."""
    assert [f"{name_of(path)}: {module}" for path in SOURCES for module in _private(path)] == []


def _private(path: Path) -> list[str]:
    """Modules with a name that begins with a dash below, of other packages."""
    named: list[str] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            named += [one.name for one in node.names]
        elif isinstance(node, ast.ImportFrom):
            named += [f"{node.module}.{one.name}" for one in node.names]
    return [
        name
        for name in named
        if name.split(".")[0] not in ("yieldsim", "__future__")
        and any(part.startswith("_") for part in name.split("."))
    ]
