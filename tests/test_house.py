"""The plan of the house holds: imports go one way, and what is exported is of a declared kind."""

import ast
import inspect
import json
import subprocess
import sys
from importlib import import_module
from pathlib import Path

import pytest

import reedlab
from reedlab.answer import Answer

PACKAGE = Path(reedlab.__file__).parent

#: What each room may import, beside itself and the ground floor.
MAY_IMPORT = {
    "schema": set(),
    "study": {"schema"},
    "model": set(),
    "plan": {"schema", "study", "model", "charts"},
    "measure": {"schema", "study", "model", "charts"},
    "analyse": {"schema", "study", "model", "plan", "measure", "charts"},
    "page": {"schema", "study", "measure", "charts"},
    "publish": {"schema", "study", "model", "plan", "measure", "analyse", "charts", "demo"},
    "charts": set(),
    "terminal": set(),
    "demo": {"schema", "study"},
    "cli": {
        *("schema", "study", "model", "plan", "measure", "analyse", "publish", "charts", "demo"),
        *("terminal", "cli_publish"),
    },
    "cli_publish": {"study", "publish", "terminal"},
}
GROUND_FLOOR = {"errors", "answer", "pieces"}


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def _imported_rooms(path: Path) -> set[str]:
    """Rooms that a file imports anywhere in it, inside functions too."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names = []
        if isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module, *(f"{node.module}.{alias.name}" for alias in node.names)]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "reedlab" and len(parts) > 1:
                found.add(parts[1])
    return found


FILES = sorted(
    path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py" or path.parent != PACKAGE
)


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_go_one_way(path: Path) -> None:
    room = _room(path)
    rooms = {
        r for r in _imported_rooms(path) if (PACKAGE / r).is_dir() or (PACKAGE / f"{r}.py").exists()
    }
    if room in GROUND_FLOOR:
        assert rooms <= GROUND_FLOOR
    else:
        assert rooms - GROUND_FLOOR - {room} <= MAY_IMPORT[room]


def test_every_room_has_its_rule() -> None:
    rooms = {_room(path) for path in FILES}
    assert rooms == set(MAY_IMPORT) | GROUND_FLOOR


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_files_stay_small_enough_to_find_ones_way(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


@pytest.mark.parametrize(
    "room", ["schema", "study", "model", "plan", "measure", "analyse", "publish", "page", "demo"]
)
def test_exports_are_explicit_and_of_a_declared_kind(room: str) -> None:
    module = import_module(f"reedlab.{room}")
    assert len(set(module.__all__)) == len(module.__all__)
    for name in module.__all__:
        thing = getattr(module, name)
        assert inspect.isclass(thing) or inspect.isfunction(thing) or name.isupper(), name
        if not name.isupper():
            assert inspect.getdoc(thing), f"{name} says nothing of itself"


def test_lazy_names_of_the_package_all_resolve() -> None:
    for name in reedlab.__all__:
        assert getattr(reedlab, name) is not None


def test_a_wrong_name_of_the_package_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'drivers'"):
        _ = reedlab.drivers


def test_opening_a_study_does_not_load_the_statistics() -> None:
    code = (
        "import sys, json, reedlab; reedlab.open_study; reedlab.Factor;"
        "print(json.dumps([m for m in ('scipy', 'statsmodels', 'seaborn', 'pingouin', 'matplotlib')"
        " if m in sys.modules]))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(out.stdout) == []


def test_plans_and_measures_are_loaded_without_the_engine_and_without_what_listens() -> None:
    code = (
        "import sys, json, reedlab; assert 'reedlab.measure' not in sys.modules;"
        "reedlab.measure.crow; reedlab.measure.measure_files; reedlab.measure.agreement;"
        "reedlab.plan.design_batch;"
        "print(json.dumps([m for m in ('reedlab.model', 'av', 'parselmouth', 'joblib', 'scipy',"
        " 'statsmodels', 'matplotlib', 'pingouin') if m in sys.modules]))"
    )
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert json.loads(out.stdout) == []


def test_answers_are_frozen() -> None:
    assert Answer.__dataclass_params__.frozen
