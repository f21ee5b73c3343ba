"""The core does no I/O, reads no clock and starts no task: held by reading its imports."""

from __future__ import annotations

import ast
from pathlib import Path

import watchd

PACKAGE = Path(watchd.__file__).parent
# The shell and what drives it; `loading` reads files for them.
SHELL = ("shell", "commands", "loading.py", "__main__.py")
FORBIDDEN = {
    "asyncio",
    "threading",
    "multiprocessing",
    "concurrent",
    "subprocess",
    "signal",
    "socket",
    "ssl",
    "select",
    "time",
    "sqlite3",
    "pathlib",
    "os",
    "io",
    "shutil",
    "tempfile",
    "logging",
    "random",
    "secrets",
    "uuid",
    "aiomqtt",
    "paho",
    "apscheduler",
    "structlog",
    "sys",
    "gzip",
}
FORBIDDEN_CALLS = {"open", "print", "input", "now", "utcnow", "today"}
# Data flows one way; each folder may import only from those before it.
ORDER = [
    "telemetry",
    "estimators",
    "rules",
    "alarms",
    "advice",
    "watch",
    "history",
    "digest",
    "report",
]


def core_files() -> list[Path]:
    files = [p for p in PACKAGE.rglob("*.py") if p.relative_to(PACKAGE).parts[0] not in SHELL]
    assert len(files) > 30
    return files


def in_memory(node: ast.ImportFrom) -> bool:
    """A text in memory is no I/O."""
    return node.module == "io" and [alias.name for alias in node.names] == ["StringIO"]


def imports(path: Path) -> set[str]:
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and not in_memory(node):
            found.add(node.module or "")
    return found


def test_the_core_reaches_for_nothing_outside() -> None:
    for path in core_files():
        reached = {name.split(".")[0] for name in imports(path)} & FORBIDDEN
        assert not reached, f"{path.name} imports {reached}"
        shell = [n for n in imports(path) if n.startswith(("watchd.shell", "watchd.commands"))]
        # The package's own __init__ offers `load`, and imports it only when asked.
        if path != PACKAGE / "__init__.py":
            assert not shell, f"{path.name} imports {shell}"
            assert "watchd.loading" not in imports(path), f"{path.name} imports the loader"


def test_the_core_asks_for_no_time_and_opens_no_file() -> None:
    for path in core_files():
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.Call):
                name = getattr(node.func, "id", getattr(node.func, "attr", ""))
                assert name not in FORBIDDEN_CALLS, f"{path.name}:{node.lineno} calls {name}"


def test_imports_only_point_back() -> None:
    for path in core_files():
        folder = path.relative_to(PACKAGE).parts[0]
        if folder not in ORDER:
            continue
        later = ORDER[ORDER.index(folder) + 1 :]
        # An example in a rule runs on the real alarm, and is asked for by the commands alone.
        if path.name == "examples.py":
            later.remove("alarms")
        for name in imports(path):
            parts = name.split(".")
            wrong = parts[0] == "watchd" and len(parts) > 1 and parts[1] in later
            assert not wrong, f"{path.relative_to(PACKAGE)} imports {name}"


def test_the_language_of_conditions_knows_no_batteries() -> None:
    for path in (PACKAGE / "language").glob("*.py"):
        own = {n for n in imports(path) if n.startswith("watchd.")}
        allowed = ("watchd.language", "watchd.figures", "watchd.errors", "watchd.durations")
        assert all(name.startswith(allowed) for name in own), path.name
