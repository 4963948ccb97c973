"""The house rules that a machine can check."""

import ast
import dataclasses
import importlib
import inspect
import json
import pkgutil
import subprocess
import sys
import typing
from pathlib import Path

import pytest

import labkit

ROOT = Path(__file__).parents[1]
MODULES = sorted(m.name for m in pkgutil.walk_packages(labkit.__path__, "labkit."))
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def public(module):
    return {name: getattr(module, name) for name in getattr(module, "__all__", ())}


@pytest.mark.parametrize("name", MODULES)
def test_all_names_every_public_function_and_class(name):
    module = importlib.import_module(name)
    own = {
        key
        for key, value in vars(module).items()
        if not key.startswith("_")
        and (inspect.isfunction(value) or inspect.isclass(value))
        and value.__module__ == name
        and not name.rsplit(".", 1)[-1].startswith("_")
    }
    missing = own - set(getattr(module, "__all__", ()))
    assert not missing, f"{name}.__all__ lacks {sorted(missing)}"


PUBLIC = {f"labkit.{name}": getattr(labkit, name) for name in labkit.__all__} | {
    f"{module}.{key}": value
    for module in ("labkit.show.plots", "labkit.show.tables", "labkit.show.report")
    for key, value in public(importlib.import_module(module)).items()
}


def results(value, seen):
    """Dataclasses of the lab that a public function returns, found through its annotations."""
    for hint in typing.get_type_hints(value).values() if inspect.isfunction(value) else ():
        for part in (hint, *typing.get_args(hint)):
            if inspect.isclass(part) and part.__module__.startswith("labkit") and part not in seen:
                seen.add(part)
    return seen


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_every_public_parameter_is_documented(name):
    value = PUBLIC[name]
    returned = {f"{c.__module__}.{c.__name__}": c for c in results(value, set())}
    for key, one in {name: value, **returned}.items():
        if not callable(one) or (inspect.isclass(one) and not dataclasses.is_dataclass(one)):
            continue
        assert one.__doc__, f"{key} has no docstring"
        documented = one.__doc__.split("Parameters", 1)[-1]
        for parameter in inspect.signature(one).parameters.values():
            shown = parameter.name in documented or parameter.name.startswith("_")
            assert shown, f"{key} does not document {parameter.name}"


@pytest.mark.parametrize("name", sorted(PUBLIC))
def test_public_functions_take_at_most_two_positional_arguments(name):
    if inspect.isfunction(PUBLIC[name]):
        kinds = [p.kind for p in inspect.signature(PUBLIC[name]).parameters.values()]
        assert kinds.count(inspect.Parameter.POSITIONAL_OR_KEYWORD) <= 2


def test_results_are_frozen():
    for name in MODULES:
        for key, value in public(importlib.import_module(name)).items():
            if inspect.isclass(value) and dataclasses.is_dataclass(value):
                assert value.__dataclass_params__.frozen, f"{name}.{key}"


def test_importing_the_lab_loads_neither_matplotlib_nor_widgets():
    code = "import sys, labkit; print([m for m in ('matplotlib', 'ipywidgets', 'IPython') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_no_imports_inside_functions_and_no_prints_in_the_library():
    for path in (ROOT / "labkit").rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                inner = [n for n in ast.walk(node) if isinstance(n, ast.Import | ast.ImportFrom)]
                assert not inner, f"{path}: import inside {node.name}"
            if (
                "jobs" not in path.parts
                and path.name != "__main__.py"
                and isinstance(node, ast.Call)
                and getattr(node.func, "id", "") == "print"
            ):
                raise AssertionError(f"{path}, line {node.lineno}: print")


def test_the_top_level_holds_nothing_else():
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True)
    if tracked.returncode:
        pytest.skip("not a git checkout")
    names = {line.split("/", 1)[0] for line in tracked.stdout.splitlines()}
    expected = {"README.md", "DEVELOPERS.md", "pyproject.toml", "notebooks", "labkit", "data", "tests", "LICENSE"}
    assert {name for name in names if not name.startswith(".")} == expected


def test_there_are_notebooks():
    assert len(NOTEBOOKS) >= 2


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.name)
def test_notebooks_are_stored_executed_top_to_bottom(path):
    """Stripped outputs would make the notebook run check nothing."""
    notebook = json.loads(path.read_text(encoding="utf-8"))
    cells = [c for c in notebook["cells"] if c["cell_type"] == "code" and "".join(c["source"]).strip()]
    assert [c["execution_count"] for c in cells] == list(range(1, len(cells) + 1))
    outputs = [o for c in cells for o in c["outputs"]]
    assert not [o for o in outputs if o["output_type"] == "error" or o.get("name") == "stderr"]
    checked = [c for c in cells if "NBVAL_CHECK_OUTPUT" in "".join(c["source"])]
    assert checked and all(c["outputs"] for c in checked)
    assert notebook["metadata"]["kernelspec"]["name"] == "python3"
    assert path.stat().st_size < 1_500_000
