"""Who may import whom, read off the source."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
MODELS = sorted((ROOT / "models").rglob("*.py"))
RECOMMENDER = sorted((ROOT / "recommender").rglob("*.py"))
#: Screens, and what they may take from their own project: the session, drawings, and each other.
SCREENS = [file for file in RECOMMENDER if file.parent.name in ("cli", "page", "report")]
#: The flow of the job: each may take from those before it, and from itself.
FLOW = ("logs", "decide", "job", "record", "why", "session")


def imports(file: Path) -> Iterator[tuple[str, int, bool]]:
    """Every module that a file imports, with its line and whether that is only for types; names taken from a package
    count as its modules where there are such."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    typed = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING")
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno, id(node) in typed
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{file}: relative import in line {node.lineno}"
            module = node.module or ""
            for alias in node.names:
                inner = f"{module}.{alias.name}"
                path = ROOT / inner.replace(".", "/")
                yield (
                    (inner if path.with_suffix(".py").is_file() or path.is_dir() else module),
                    node.lineno,
                    id(node) in typed,
                )


def name_of(file: Path) -> str:
    return ".".join(file.relative_to(ROOT).with_suffix("").parts)


@pytest.mark.parametrize("file", MODELS, ids=name_of)
def test_models_reach_neither_up_nor_out(file: Path) -> None:
    banned = ("recommender", "tests", "pandas", "optuna", "plotly", "fastapi", "typer", "rich", "pydantic")
    for module, line, _ in imports(file):
        assert module.split(".")[0] not in banned, f"{file.name}:{line} imports {module}"
        assert module.split(".")[0] not in ("io", "pathlib", "shutil", "sqlite3", "tempfile"), (
            f"{file.name}:{line} imports {module}: models open no file"
        )


@pytest.mark.parametrize("file", MODELS, ids=name_of)
def test_models_open_no_file_and_ask_no_clock(file: Path) -> None:
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called not in ("open", "print", "input", "time.time", "datetime.now", "np.load", "np.loadtxt"), (
                f"{file.name}:{node.lineno} calls {called}"
            )


@pytest.mark.parametrize("file", SCREENS, ids=name_of)
def test_screens_reach_the_session_and_nothing_below_it(file: Path) -> None:
    allowed = {"recommender.session"}
    for module, line, types_only in imports(file):
        top, _, rest = module.partition(".")
        if top == "models":
            assert types_only, f"{file.name}:{line} imports {module}"
        if top != "recommender" or module in allowed or not rest or types_only:
            continue
        known = ("cli", "page", "report", "demo", "figures", "wording")
        assert rest.split(".")[0] in known, f"{file.name}:{line} imports {module}: screens call the session"


@pytest.mark.parametrize("file", [*MODELS, *RECOMMENDER], ids=name_of)
def test_packages_import_no_tests_and_no_current_folder(file: Path) -> None:
    source = file.read_text(encoding="utf-8")
    for module, line, _ in imports(file):
        assert module.split(".")[0] != "tests", f"{file.name}:{line} imports {module}"
    for word in ("sys.path", "os.chdir", "PYTHONPATH", "os.getcwd"):
        assert word not in source, f"{file.name} uses {word}: nothing may rest on the current folder"


@pytest.mark.parametrize("place", range(len(FLOW)), ids=FLOW)
def test_each_part_takes_only_from_those_before_it(place: int) -> None:
    files = sorted((ROOT / "recommender" / FLOW[place]).glob("*.py"))
    assert files
    for file in files:
        for module, line, types_only in imports(file):
            top, _, rest = module.partition(".")
            if top != "recommender" or types_only:
                continue
            assert rest.split(".")[0] in ("wording", *FLOW[: place + 1]), f"{file.name}:{line} imports {module}"


def test_words_take_from_nobody() -> None:
    taken = [module for module, *_ in imports(ROOT / "recommender" / "wording.py")]
    assert not [module for module in taken if module.split(".")[0] in ("recommender", "models")]


def test_decision_and_below_know_no_screen() -> None:
    below = [file for file in RECOMMENDER if file not in SCREENS and name_of(file) != "recommender.demo"]
    for file in below:
        for module, line, _ in imports(file):
            assert not module.startswith(
                ("recommender.cli", "recommender.page", "recommender.report", "typer", "rich")
            ), f"{file.name}:{line} imports {module}"
