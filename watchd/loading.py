"""Reads config and rules from files. All that is checked when a file is loaded is checked here."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

from watchd.config import Config, Elsewhere, instance_of, of_instance, parse_config
from watchd.config.many import Entry, entries_of
from watchd.config.share import MOST_INSTANCES
from watchd.documents import Document, parse_document
from watchd.documents import Path as DocumentPath
from watchd.errors import Place, Problem, WatchdError
from watchd.language.expression import ExpressionError, compile_expression
from watchd.proposal.config_text import to_enter
from watchd.rules.fields import FULL_WHEN
from watchd.rules.loader import compile_rules
from watchd.rules.rule import Rule

LARGEST_FILE = 1_000_000
MOST_FILES = 200
MOST_BANKS = 100_000


def load(
    path: str | Path, rules: str | Path | None = None, instance: int | None = None
) -> tuple[Config, tuple[Rule, ...]]:
    """The config at `path` and its rules, checked and compiled.

    `rules` is a folder or file to use instead of the one that the config names; `instance` is one
    of the daemons that share the banks, whose part of them is loaded. Raises WatchdError with
    every problem found, each with file, line and column.
    """
    path = Path(path)
    config, problems = _read_config(path, instance)
    folder = rules_folder(path, config, rules) if config or rules else None
    compiled: tuple[Rule, ...] = ()
    if folder is not None:
        try:
            compiled = load_rules(folder)
        except WatchdError as error:
            problems.extend(error.problems)
    if config is None or problems:
        raise WatchdError(problems)
    return config, compiled


def load_config(path: str | Path, instance: int | None = None) -> Config:
    """The config alone, for who does not need the rules. Raises WatchdError."""
    config, problems = _read_config(Path(path), instance)
    if config is None or problems:
        raise WatchdError(problems)
    return config


def entries_left(path: str | Path) -> list[tuple[int, str]]:
    """Lines of a config from `watchd setup` that still wait for a person: number and text."""
    return to_enter(_read(Path(path)))


def _read_config(path: Path, instance: int | None) -> tuple[Config | None, list[Problem]]:
    """The config, as far as it can be told what it says, and its problems."""
    config: Config | None = None
    try:
        document = parse_document(_read(path), str(path))
        elsewhere = _banks_elsewhere(path, document, instance)
        config = parse_config(document, elsewhere)
        if instance is not None:
            config = of_instance(config, instance)
        _check_full_when(document, config, elsewhere)
    except WatchdError as error:
        return config, list(error.problems)
    return config, []


def _banks_elsewhere(path: Path, document: Document, instance: int | None) -> Elsewhere:
    """What the config at `path` says is in other files; of an instance only the files of its own.

    What it says is not checked yet: what is wrong with it is told by whoever checks it.
    """
    data = document.data if isinstance(document.data, dict) else {}
    named = data.get("banks_from")
    if not isinstance(named, str) or not named:
        return Elsewhere()
    folder = path.parent / named
    share = data.get("share")
    of = share.get("of") if isinstance(share, dict) else None
    if instance is None or not (isinstance(of, int) and 1 <= of <= MOST_INSTANCES):
        of = None
    entries: list[Entry] = []
    problems: list[Problem] = []
    unread = set()
    is_file = folder.is_file()
    for file in yaml_files(folder, "banks", MOST_BANKS):
        if of is not None and not is_file and instance_of(file.stem, of) != instance:
            unread.add(file.stem)
            continue
        try:
            read = parse_document(_read(file), str(file))
        except WatchdError as error:
            problems.extend(error.problems)
            continue
        found, wrong = entries_of(read, None if is_file else file.stem)
        entries += found
        problems += wrong
    return Elsewhere(entries, unread, problems)


def load_rules(folder: Path) -> tuple[Rule, ...]:
    """The rules of a folder (each `*.yaml` in it) or of one file."""
    return compile_rules([(str(p), _read(p)) for p in rule_files(folder)])


def rule_files(folder: Path) -> list[Path]:
    """The files of a rules folder, in the order of their names. Raises WatchdError."""
    return yaml_files(folder, "rules", MOST_FILES)


def yaml_files(folder: Path, what: str, most: int) -> list[Path]:
    """The YAML files of a folder of such (or the one file), by name. Raises WatchdError."""
    try:
        if folder.is_file():
            return [folder]
        if not folder.is_dir():
            raise WatchdError(Problem(f"there is no such folder of {what}", Place(str(folder))))
        found = sorted(
            p
            for p in folder.iterdir()
            if p.suffix in (".yaml", ".yml") and not p.name.startswith(".")
        )
    except OSError as error:
        reason = error.strerror or str(error)
        raise WatchdError(Problem(f"cannot be read: {reason}", Place(str(folder)))) from error
    if not found:
        raise WatchdError(Problem(f"no {what}: the folder holds no .yaml file", Place(str(folder))))
    if len(found) > most:
        raise WatchdError(Problem(f"more than {most:,} files of {what}", Place(str(folder))))
    return found


def rules_folder(path: Path, config: Config | None, rules: str | Path | None) -> Path:
    """Where the rules are: as told, as the config at `path` says (beside it), or as shipped."""
    if rules is not None:
        return Path(rules)
    if config is not None and config.rules is not None:
        return path.parent / config.rules
    return shipped("rules")


def shipped(name: str) -> Path:
    """A file or folder that ships with watchd: in the package, or beside it in a checkout."""
    packed = Path(str(files("watchd"))) / "_shipped" / name
    return packed if packed.exists() else Path(__file__).parents[1] / name


def _check_full_when(document: Document, config: Config, elsewhere: Elsewhere) -> None:
    """Each text once: many banks may have the same."""
    places: dict[str, tuple[Document, DocumentPath]] = {}
    for name, bank in config.banks.items():
        places.setdefault(bank.full_when, (document, ("banks", name, "full_when")))
    for name, kind in config.kinds.items():
        places[kind.bank.full_when] = (document, ("kinds", name, "bank", "full_when"))
    for entry in elsewhere.entries:
        path = (*entry.path, "bank", "full_when")
        if path in entry.document.values and entry.name in config.banks:
            places[config.banks[entry.name].full_when] = (entry.document, path)
    problems = []
    for text, (file, path) in places.items():
        try:
            compile_expression(text, FULL_WHEN)
        except ExpressionError as error:
            problems.append(file.problem_in_text(error.what, path, error.start, error.width))
    if problems:
        raise WatchdError(problems)


def _read(path: Path) -> str:
    try:
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or str(error)
        raise WatchdError(Problem(f"cannot be read: {reason}", Place(str(path)))) from error
    if len(data) > LARGEST_FILE:
        raise WatchdError(Problem(f"larger than {LARGEST_FILE:,} bytes", Place(str(path))))
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise WatchdError(Problem("not UTF-8 text", Place(str(path), line))) from None
