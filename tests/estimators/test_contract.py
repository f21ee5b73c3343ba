"""What holds of every estimator. The modules are found, not listed: a new one is held to it too."""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from types import ModuleType

import pytest

from tests.scene import Scene, config_of, leading, pack, rules_of
from watchd import estimators
from watchd.alarms.alarms import Alarms
from watchd.alarms.state import Transition
from watchd.estimators import BANK_FIGURES, CELL_FIGURES, PACK_FIGURES
from watchd.figures import About, Figure, Figures, Kind, Value
from watchd.publish import encode
from watchd.rules.fields import FIELDS

MODULES = [
    module
    for found in pkgutil.walk_packages(estimators.__path__, f"{estimators.__name__}.")
    # A module of plain mathematics declares no figures.
    if hasattr(module := importlib.import_module(found.name), "FIGURES")
]
# From the glossary; the suffix of a name is its unit.
UNITS = ("v", "mv", "a", "ah", "wh", "w", "pct", "degc", "mohm", "s", "h", "d")
ALL_FIGURES = [(about, figure) for about, named in FIELDS.items() for figure in named.values()]


def declared(module: ModuleType) -> Iterator[Figure]:
    for name in ("FIGURES", "CELL_FIGURES"):
        yield from getattr(module, name, ())


def test_there_are_estimators() -> None:
    assert {"totals", "extremes", "full", "power", "freshness", "trips", "charge"} <= {
        m.__name__.rpartition(".")[2] for m in MODULES
    }


@pytest.mark.interpreted  # a compiled module keeps no docstring
@pytest.mark.parametrize("module", MODULES, ids=lambda m: m.__name__)
def test_a_module_says_what_it_computes(module: ModuleType) -> None:
    assert module.__doc__
    assert list(declared(module))
    for figure in declared(module):
        assert figure.meaning, f"{figure.name} has no meaning"
        assert figure in (*PACK_FIGURES, *CELL_FIGURES, *BANK_FIGURES), (
            f"{figure.name} is not gathered"
        )


def test_nothing_is_gathered_that_no_module_declares() -> None:
    gathered = [*PACK_FIGURES, *CELL_FIGURES, *BANK_FIGURES]
    assert sorted(f.name for f in gathered) == sorted(
        f.name for module in MODULES for f in declared(module)
    )


@pytest.mark.parametrize(
    ("figures", "about"),
    [(PACK_FIGURES, About.PACK), (CELL_FIGURES, About.CELL), (BANK_FIGURES, About.BANK)],
)
def test_a_figure_is_about_what_it_is_gathered_for(
    figures: tuple[Figure, ...], about: About
) -> None:
    assert {f.name for f in figures if f.about is not about} == set()


@pytest.mark.parametrize(
    ("about", "figure"), ALL_FIGURES, ids=[f"{about}-{f.name}" for about, f in ALL_FIGURES]
)
def test_a_name_ends_in_its_unit(about: About, figure: Figure) -> None:
    assert about in About
    if figure.unit:
        assert figure.kind is Kind.NUMBER
        assert figure.unit in UNITS
        assert figure.name.endswith(f"_{figure.unit}")
    else:
        assert not figure.name.endswith(tuple(f"_{unit}" for unit in UNITS))


EVERY_CELL = rules_of(
    '- {rule: every-cell, about: cell, when: cell_v > 0, priority: journal, say: ""}'
)


@pytest.fixture
def cell_figures(monkeypatch: pytest.MonkeyPatch) -> list[Figures]:
    """The figures that alarms about cells are given."""
    given: list[Figures] = []
    evaluate = Alarms.evaluate

    def watched(alarms: Alarms, at: float, figures: Figures) -> list[Transition]:
        if any(alarm.rule.about is About.CELL for alarm in alarms):
            given.append(figures)
        return evaluate(alarms, at, figures)

    monkeypatch.setattr(Alarms, "evaluate", watched)
    return given


def moments() -> Iterator[tuple[str, Scene]]:
    """A bank in many conditions, each as the watches see it then."""
    hut = Scene(EVERY_CELL)
    hut.run(seconds=1)
    yield "before anything has come", hut
    hut.run(minutes=1, alder=pack())
    yield "one pack has come", hut
    hut.run(minutes=1, alder=pack(), birch=pack(current_a=-20.0))
    yield "all is known", hut
    hut.run(minutes=1, alder=pack(cell_v=leading(3.45, by_mv=80), ov_mv=3600), birch=pack())
    yield "a cell leads, and a setting is reported", hut
    hut.run(minutes=1, alder=pack(protection=1, charge_allowed=False), birch=pack())
    yield "a pack has tripped", hut
    hut.run(minutes=10, alder=pack(cell_v=[3.5] * 16, current_a=3.0), birch=pack())
    yield "a pack is full", hut
    hut.feed("hut/alder/state", b"nonsense")
    hut.run(seconds=10)
    yield "a message was refused", hut
    hut.run(minutes=5, birch=pack())
    yield "a pack is silent", hut
    hut.run(minutes=5)
    yield "all are", hut
    later = Scene(EVERY_CELL, state=hut.engine.snapshot())
    later.seconds = hut.seconds + 3600
    later.run(seconds=1)
    yield "after an hour in which nobody watched", later


def is_of(kind: Kind, value: Value) -> bool:
    match kind:
        case Kind.NUMBER:
            return isinstance(value, int | float) and not isinstance(value, bool)
        case Kind.YES_NO:
            return isinstance(value, bool)
        case Kind.TEXT:
            return isinstance(value, str)
        case Kind.WORDS:
            return isinstance(value, tuple) and all(isinstance(word, str) for word in value)


def check(figures: Figures, about: About, when: str) -> None:
    named = FIELDS[about]
    assert set(figures) == set(named), f"{when}: declared and written differ"
    for name, value in figures.items():
        if value is None:
            continue
        figure = named[name]
        assert is_of(figure.kind, value), f"{when}: {name} is {value!r}, but a {figure.kind}"
        if figure.words:
            said = value if isinstance(value, tuple) else (value,)
            assert set(said) <= set(figure.words), f"{when}: {name} is {value!r}"


@pytest.mark.interpreted
def test_every_figure_is_written_and_no_other(cell_figures: list[Figures]) -> None:
    for when, hut in moments():
        for subject, figures in hut.engine.figures().items():
            check(figures, About(subject.split("/")[0]), when)
            assert encode(figures), when  # no NaN, nothing that JSON cannot carry
        assert cell_figures, when
        for figures in cell_figures:
            check(figures, About.CELL, when)
        cell_figures.clear()


def test_the_moments_show_what_they_say() -> None:
    """The test above would be worth little if the figures stayed unknown."""
    known: dict[str, set[str]] = {}
    for _, hut in moments():
        for subject, figures in hut.engine.figures().items():
            names = known.setdefault(subject.split("/")[0], set())
            names.update(n for n, v in figures.items() if v is not None)
    not_mapped = {
        "discharge_allowed",
        "balancing",
        "setting_overvoltage_recovery_v",
        "setting_full_v",
        "setting_undervoltage_v",
        "setting_undervoltage_recovery_v",
        "setting_balancer_from_v",
        "max_discharge_a",
        "full_v",
        "balancer_current_a",
        "balancer_from_v",
    }
    # The scene's packs have no max_discharge_a, and the sun is learnt in days.
    withheld = {"discharge_limit_a", "charging_left_h"}
    assert {f.name for f in BANK_FIGURES} - withheld <= known["bank"]
    telemetry = set(FIELDS[About.PACK]) - {f.name for f in PACK_FIGURES}
    assert telemetry - not_mapped <= known["pack"]
    # Estimates of weeks (capacity, trends) may be withheld in a scene of half an hour; these not.
    quick = ("extremes", "full", "power", "freshness", "trips", "charge")
    for module in MODULES:
        if module.__name__.rpartition(".")[2] in quick:
            assert {f.name for f in module.FIGURES} <= known["pack"], module.__name__


def test_a_bank_whose_packs_are_all_out_of_service_has_figures_too() -> None:
    config = config_of("""
banks: {hut: {charge_voltage_v: 56.0}}
packs: {alder: {bank: hut, nameplate_ah: 200, max_charge_a: 100, in_service: false}}
sources: [{topic: "hut/{pack}/volts", value: voltage_v}]
""")
    hut = Scene(config=config)
    hut.run(minutes=1)
    check(dict(hut.figures("bank/hut")), About.BANK, "out of service")
    assert hut.figures("bank/hut")["charge_limit_a"] == 0
