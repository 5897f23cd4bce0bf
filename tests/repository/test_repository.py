"""What the repository holds, and what it promises of its own code."""

from __future__ import annotations

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SOURCES = sorted([*(ROOT / "models").rglob("*.py"), *(ROOT / "recommender").rglob("*.py")])
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "recommender", "models", "tests", "fixtures"}


def kept() -> list[str]:
    """Files under version control; the test is skipped where that cannot be asked."""
    try:
        done = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("not a git checkout")
    return done.stdout.splitlines()


def test_top_level_holds_what_it_should() -> None:
    seen = {name.split("/")[0] for name in kept()}
    assert {name for name in seen if not name.startswith(".")} <= TOP_LEVEL


def test_no_file_is_made_by_running() -> None:
    made = (".pyc", ".db", ".lock", ".part", ".log~", ".orig")
    assert [name for name in kept() if name.endswith(made) and not name.startswith("fixtures/")] == []


def test_pyproject_lists_the_packages_that_there_are() -> None:
    listed = set(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"])
    found = {
        ".".join(file.parent.relative_to(ROOT).parts)
        for top in ("models", "recommender")
        for file in (ROOT / top).rglob("__init__.py")
    }
    assert listed == found
    for folder in {file.parent for file in SOURCES}:
        assert (folder / "__init__.py").is_file(), f"{folder} holds modules and is no package"


def test_packages_work_from_any_folder(tmp_path: Path) -> None:
    code = "import models.curve, recommender; print(models.__file__, recommender.__file__)"
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert "recommender" in done.stdout


def public(tree: ast.Module) -> list[ast.FunctionDef | ast.ClassDef]:
    """Functions, classes and methods that others may call. A method that only carries on what its base documents, and
    properties whose name says all, are let off when they are one line long."""
    found: list[ast.FunctionDef | ast.ClassDef] = []
    for node in tree.body:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef)) and not node.name.startswith("_"):
            found.append(node)
            if isinstance(node, ast.ClassDef):
                found += [
                    inner
                    for inner in node.body
                    if isinstance(inner, ast.FunctionDef) and not inner.name.startswith("_") and len(inner.body) > 1
                ]
    return found


@pytest.mark.parametrize("file", SOURCES, ids=lambda file: ".".join(file.relative_to(ROOT).with_suffix("").parts))
def test_modules_and_public_names_are_documented(file: Path) -> None:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    if tree.body:
        assert ast.get_docstring(tree), f"{file.name} has no docstring"
    silent = [node.name for node in public(tree) if not ast.get_docstring(node)]
    assert silent == []


@pytest.mark.parametrize("file", SOURCES, ids=lambda file: ".".join(file.relative_to(ROOT).with_suffix("").parts))
def test_names_in_all_exist(file: Path) -> None:
    tree = ast.parse(file.read_text(encoding="utf-8"))
    named = [
        ast.literal_eval(node.value)
        for node in tree.body
        if isinstance(node, ast.Assign) and any(ast.unparse(target) == "__all__" for target in node.targets)
    ]
    bound = {name.id for name in ast.walk(tree) if isinstance(name, ast.Name)} | {
        alias.asname or alias.name.split(".")[0]
        for node in ast.walk(tree)
        if isinstance(node, (ast.Import, ast.ImportFrom))
        for alias in node.names
    }
    bound |= {node.name for node in ast.walk(tree) if isinstance(node, (ast.FunctionDef, ast.ClassDef))}
    for names in named:
        assert set(names) <= bound


def test_warnings_are_errors_and_types_are_strict() -> None:
    tools = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]
    assert tools["pytest"]["ini_options"]["filterwarnings"][0] == "error"
    assert tools["mypy"]["strict"] is True
    assert set(tools["mypy"]["packages"]) == {"models", "recommender"}
