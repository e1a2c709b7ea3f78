"""The house itself: its rooms, what they may import, and that Python's own names stay Python's."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import fullhide

ROOT = Path(__file__).resolve().parents[1]
ENGINE = ROOT / "inspect" / "fullhide"

# From the ground up: a module imports from its own floor or from below, never from above.
# A new module has to be given its place here. Modules with a leading underscore belong to the
# module that uses them and are held to the absence of circles only.
FLOORS = (
    {"errors", "quality", "locate", "files", "colour", "robust", "smoothing", "spectrum"},
    # what was asked and what was found: plain data
    {"job_file", "outlines", "outline_file", "job", "result"},
    {"record"},
    {"photo"},
    {"card"},
    {"seam", "seam_path", "edge_line", "region", "chart", "light", "registration", "calibrate"},
    {"outline_edit", "surface", "background", "carry", "companion", "visibility", "shine"},
    {"shine_map", "verdict", "lights"},
    {"checks", "wording"},
    {"standing", "keeper", "proof"},
    {"coats", "tint"},
    {"coats_words", "tint_words"},
    {
        "propose",
        "findings",
        "ask",
        "scene",
        "concluded",
        "undyed",
        "judge_edge",
        "judge_sheen",
        "judge_show",
        "judge",
        "also",
    },
    {"undrawn"},
    {"opened", "maps", "probe", "shown", "elsewhere"},
    {"coats_job", "drawdown", "tint_file"},
    {"tint_job"},
    {"engine", "follow"},
    {"advice", "photo_job", "watch"},
    {"overlay"},
    {"pictures", "console", "console_coats", "console_record"},
    {"batch"},
    {"inspection"},
    {"card_sheet"},
    {"report"},
    {"demo"},
    {"cli_carry", "cli_record", "cli_report", "cli_view"},
    {"cli_card", "cli_check", "cli_coats", "cli_tint"},
    {"cli"},
)
# Test photographs stand beside the house: nothing of the engine may lean on them.
BESIDE = {"phantom"}


def python(code: str, cwd: Path = ROOT) -> str:
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=cwd, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.strip()


def modules() -> dict[str, Path]:
    found = {}
    for path in sorted(ENGINE.rglob("*.py")):
        parts = path.relative_to(ENGINE.parent).with_suffix("").parts
        found[".".join(parts).removesuffix(".__init__")] = path
    return found


MODULES = modules()


def imports(name: str) -> set[str]:
    """Every module of ours that `name` imports, inside functions too."""
    path = MODULES[name]
    package = name if path.name == "__init__.py" else name.rpartition(".")[0]
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package.split(".")[: len(package.split(".")) - node.level + 1])
            source = (f"{base}.{node.module}" if node.module else base) if node.level else ""
            source = source or str(node.module)
            found |= {
                f"{source}.{alias.name}" if f"{source}.{alias.name}" in MODULES else source
                for alias in node.names
            }
    return (found & set(MODULES)) - {name}


def room(name: str) -> str:
    return name.split(".")[1]


def floor(name: str) -> int | None:
    if room(name) in BESIDE or room(name).startswith("_"):
        return None
    places = [number for number, rooms in enumerate(FLOORS) if room(name) in rooms]
    assert len(places) == 1, f"give {name} its one place in FLOORS"
    return places[0]


INNER = [name for name in MODULES if name != "fullhide"]


@pytest.mark.parametrize("name", INNER)
def test_nothing_imports_from_a_floor_above(name: str) -> None:
    own = floor(name)
    for other in imports(name) - {"fullhide"}:
        above = floor(other)
        if own is not None and above is not None:
            assert above <= own, f"{name} imports {other}, which stands above it"


def test_no_import_runs_in_a_circle() -> None:
    graph = {name: imports(name) - {"fullhide"} for name in INNER}
    # A circle raises CycleError, which names it.
    assert len(tuple(TopologicalSorter(graph).static_order())) == len(INNER)


def test_the_engine_does_not_lean_on_the_test_photographs() -> None:
    leaning = {
        name
        for name in INNER
        if room(name) not in BESIDE
        and any(room(other) in BESIDE for other in imports(name) - {"fullhide"})
    }
    assert leaning == set()


def test_the_import_rule_itself_sees_what_is_there() -> None:
    assert "fullhide.engine" in imports("fullhide.inspection")  # inside a function
    assert "fullhide.result" in imports("fullhide.console")


def test_the_engine_brings_in_neither_qt_nor_the_viewer() -> None:
    names = [name for name in MODULES if not name.endswith("__main__")]
    code = (
        f"import importlib, sys\nfor name in {names!r}: importlib.import_module(name)\n"
        "print([name for name in sys.modules if name.split('.')[0].lower() in"
        " {'qtpy', 'pyqt5', 'pyqt6', 'pyside2', 'pyside6', 'napari', 'napari_fullhide'}])"
    )
    assert python(code) == "[]"


def test_importing_the_package_loads_nothing_heavy() -> None:
    heavy = ("numpy", "cv2", "pydantic", "rich", "typer", "scipy", "skimage", "colour", "PIL")
    code = f"import fullhide, sys; print([name for name in {heavy!r} if name in sys.modules])"
    assert python(code) == "[]"


def test_no_module_loads_a_slow_library_before_it_is_used() -> None:
    # colour-science takes half a second, scikit-image and SciPy a good part of that.
    slow = ("colour", "skimage", "scipy", "matplotlib", "shapely", "torch")
    names = [name for name in MODULES if not name.endswith("__main__")]
    code = (
        f"import importlib, sys\nfor name in {names!r}:\n"
        "    importlib.import_module(name)\n"
        f"    found = [slow for slow in {slow!r} if slow in sys.modules]\n"
        "    if found: sys.exit(f'{name} loads {found}')"
    )
    python(code)


def test_showing_help_loads_neither_arrays_nor_pictures() -> None:
    heavy = ("numpy", "cv2", "scipy", "skimage", "colour", "PIL", "fullhide.job", "rich.table")
    code = (
        "import sys\nfrom fullhide.cli import main\n"
        "try: main(['--help'])\nexcept SystemExit: pass\n"
        f"print([name for name in {heavy!r} if name in sys.modules])"
    )
    assert python(code).splitlines()[-1] == "[]"


@pytest.mark.parametrize("cwd", [ROOT, ROOT / "inspect", ROOT / "plugins", ROOT / "tests"])
def test_pythons_inspect_stays_pythons(cwd: Path) -> None:
    code = "import inspect, sysconfig; print(inspect.__file__); print(sysconfig.get_path('stdlib'))"
    where, standard_library = python(code, cwd).splitlines()
    assert Path(where).resolve() == Path(standard_library).resolve() / "inspect.py"


def test_pytest_starts_from_the_repository() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "--version"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("pytest ")


@pytest.mark.parametrize("folder", ["inspect", "plugins", "tests"])
def test_a_source_root_is_no_package(folder: str) -> None:
    assert not (ROOT / folder / "__init__.py").exists()


def test_test_files_have_unique_names() -> None:
    names = [path.name for path in (ROOT / "tests").rglob("*.py")]
    assert sorted(names) == sorted(set(names))


# Where a package is imported by another name than it is installed by.
IMPORT_NAMES = {
    "colour-science": "colour",
    "opencv-python-headless": "cv2",
    "pillow": "PIL",
    "scikit-image": "skimage",
}


# What an extra brings, imported only where it is needed and missed in one plain line.
IN_EXTRAS = {"colour_cxf", "cryptography", "distributed", "rawpy", "xsdata"}


def test_what_the_engine_imports_is_what_it_asks_for() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    names = [re.split(r"[<>=!~\[ ]", line)[0].lower() for line in project["dependencies"]]
    asked = {IMPORT_NAMES.get(name, name.replace("-", "_")) for name in names}
    used: set[str] = set()
    for path in MODULES.values():
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                used |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
                used.add(node.module.split(".")[0])
    assert used - set(sys.stdlib_module_names) - {"fullhide"} - IN_EXTRAS == asked


def test_the_version_is_one() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert project["version"] == fullhide.__version__


@pytest.mark.parametrize("name", sorted(set(fullhide.__all__) - {"__version__"}))
def test_every_public_name_is_there(name: str) -> None:
    assert getattr(fullhide, name).__name__ == name
    assert name in dir(fullhide)


def test_a_name_that_is_not_public_is_an_ordinary_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        fullhide.nothing  # noqa: B018
