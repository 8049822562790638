"""The arrows between rooms: integration imports model, and inside each a room imports only rooms above it."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

MODEL_ROOMS = (
    "bounds",
    "units",
    "particles",
    "filters",
    "airside",
    "envelope",
    "balance",
    "indices",
    "measure",
    "estimate",
    "plan",
)
INTEGRATION_ROOMS = (
    "signals",
    "settings",
    "store",
    "intake",
    "engine",
    "cards",
    "report",
    "api",
    "publish",
    "discovery",
    "metrics",
    "demo",
    "bench",
    "cli",
)
MODEL_FORBIDDEN = {"os", "io", "pathlib", "logging", "asyncio", "sqlite3", "socket", "datetime", "time", "pydantic"}


def room_of(path: Path, source_root: Path) -> str:
    return path.relative_to(source_root).parts[0].removesuffix(".py")


def modules(source_root: Path) -> list[Path]:
    return [path for path in sorted(source_root.rglob("*.py")) if path != source_root / "__init__.py"]


def imported_names(path: Path, package: str) -> set[str]:
    """Every dotted module name a file imports, relative imports made absolute, `from a import b` as a.b."""
    names: set[str] = set()
    source_root = next(parent for parent in path.parents if parent.name == package)
    folder = (package, *path.relative_to(source_root).parts[:-1])
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = list(folder[: len(folder) - node.level + 1]) if node.level else []
            stem = ".".join([*base, *([node.module] if node.module else [])])
            names.update(f"{stem}.{alias.name}" for alias in node.names)
    return names


def wrong_arrows(source_root: Path, package: str, rooms: tuple[str, ...]) -> list[str]:
    wrong = []
    for path in modules(source_root):
        here = room_of(path, source_root)
        for name in imported_names(path, package):
            parts = name.split(".")
            if parts[0] != package or len(parts) < 2 or parts[1] == here:
                continue
            if parts[1] not in rooms or rooms.index(parts[1]) > rooms.index(here):
                wrong.append(f"{path.relative_to(source_root)}: {here} imports {parts[1]}")
    return wrong


@pytest.mark.parametrize(
    ("folder", "package", "rooms"),
    [("model", "motemodel", MODEL_ROOMS), ("integration", "moteledger", INTEGRATION_ROOMS)],
)
def test_every_module_stands_in_a_listed_room(folder: str, package: str, rooms: tuple[str, ...]) -> None:
    source_root = ROOT / folder / package
    assert modules(source_root), "the walk found no module to check"
    assert {room_of(path, source_root) for path in modules(source_root)} <= set(rooms)


@pytest.mark.parametrize(
    ("folder", "package", "rooms"),
    [("model", "motemodel", MODEL_ROOMS), ("integration", "moteledger", INTEGRATION_ROOMS)],
)
def test_rooms_import_only_rooms_above_them(folder: str, package: str, rooms: tuple[str, ...]) -> None:
    assert wrong_arrows(ROOT / folder / package, package, rooms) == []


def test_the_model_knows_nothing_of_the_integration_nor_of_the_world() -> None:
    for path in modules(ROOT / "model" / "motemodel"):
        tops = {name.split(".")[0] for name in imported_names(path, "motemodel")}
        assert "moteledger" not in tops, path
        assert not tops & MODEL_FORBIDDEN, path


def test_a_wrong_arrow_would_be_seen(tmp_path: Path) -> None:
    package = tmp_path / "motemodel"
    (package / "filters").mkdir(parents=True)
    (package / "units.py").write_text("from motemodel import plan\n", encoding="utf-8")
    (package / "filters" / "rating.py").write_text("from ..balance import step\n", encoding="utf-8")
    assert wrong_arrows(package, "motemodel", MODEL_ROOMS) == [
        "filters/rating.py: filters imports balance",
        "units.py: units imports plan",
    ]


def test_the_simulated_house_of_the_demo_is_independent_of_the_balance_it_tests() -> None:
    for path in (ROOT / "integration" / "moteledger" / "demo").rglob("*.py"):
        assert not any(name.startswith("motemodel.balance") for name in imported_names(path, "moteledger")), path


def test_what_a_service_at_rest_has_no_need_of_is_loaded_when_it_is_first_used() -> None:
    """scipy loads a part when it is first asked for as `scipy.part`; `from scipy.part import` loads it at the start."""
    for source_root in (ROOT / "model" / "motemodel", ROOT / "integration" / "moteledger"):
        for path in modules(source_root):
            if room_of(path, source_root) not in ("demo", "bench"):
                large = ("scipy.optimize", "scipy.interpolate", "scipy.stats", "scipy.sparse")
                assert not [n for n in imported_names(path, source_root.name) if n.startswith(large)], path
