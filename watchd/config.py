"""The one schema of the config file: names, units, defaults, and what each key is for.

Validation is here; `config.example.yaml` shows the same keys, and a test holds the two
together. Reading files is not: see `watchd.loading`.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    Field,
    ValidationError,
    WithJsonSchema,
    model_validator,
)

from watchd.documents import Document
from watchd.errors import Problem, WatchdError, nearest
from watchd.schema import Duration, PartError, Section, schema_problems
from watchd.telemetry.events import EVENTS
from watchd.telemetry.jsonpath import check_path
from watchd.telemetry.names import FLAGS, MAPPED, PROTECTION, TIME
from watchd.telemetry.topics import TopicPattern

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


def _name(value: str) -> str:
    if not _NAME.fullmatch(value):
        raise ValueError(
            f"'{value}' cannot be a name here; use letters, digits, - and _, 40 at most "
            "(it becomes a level of a topic)"
        )
    return value


def _as_text(value: object) -> object:
    # YAML reads an unquoted 5 as a number.
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _topic_prefix(value: str) -> str:
    if not value or any(c in value for c in "+#\0") or value.startswith(("/", "$")):
        raise ValueError(f"'{value}' cannot be a topic prefix; it has no + # and no leading / or $")
    return value.rstrip("/")


def _json_path(value: str) -> str:
    check_path(value)
    return value


def _event(value: str) -> str:
    if value not in EVENTS:
        hint = nearest(value, EVENTS, many="write OVER_VOLT, UNDER_VOLT or OVER_TEMP, for example")
        raise ValueError(f"'{value}' is not one of SunSpec's event names; {hint}")
    return value


def _bit(value: int) -> int:
    if not 0 <= value < 64:
        raise ValueError(f"bit {value} is outside 0 to 63")
    return value


# What `watchd schema` says of each to an editor stands beside the check that it is about.
Theirs = Annotated[str, BeforeValidator(_as_text)]
Name = Annotated[
    str,
    AfterValidator(_name),
    WithJsonSchema({"type": "string", "pattern": f"^{_NAME.pattern}$"}),
]
JsonPath = Annotated[
    str, AfterValidator(_json_path), WithJsonSchema({"type": "string", "pattern": r"^\$"})
]
Event = Annotated[str, AfterValidator(_event), WithJsonSchema({"enum": list(EVENTS)})]
Bit = Annotated[
    int,
    AfterValidator(_bit),
    WithJsonSchema({"type": "string", "pattern": "^([0-9]|[1-5][0-9]|6[0-3])$"}),
]
Protocol = Annotated[
    Literal["3.1.1", "5"], BeforeValidator(_as_text), WithJsonSchema({"enum": ["3.1.1", "5", 5]})
]
Prefix = Annotated[
    str,
    AfterValidator(_topic_prefix),
    WithJsonSchema({"type": "string", "pattern": r"^[^+#/$\0][^+#\0]*$"}),
]
Volts = Annotated[float, Field(gt=0, le=160)]
CellVolts = Annotated[float, Field(ge=1.5, le=4.5)]
Amps = Annotated[float, Field(gt=0, le=5000)]


class Tls(Section):
    """TLS to the broker. Its certificate is always verified."""

    ca_file: str | None = Field(None, description="CA certificates; default: the system's")
    cert_file: str | None = Field(None, description="client certificate")
    key_file: str | None = Field(None, description="key of the client certificate")


class Broker(Section):
    """The MQTT broker that carries the packs' telemetry."""

    host: str = Field("localhost", min_length=1, description="name or address")
    port: int = Field(1883, ge=1, le=65535, description="usual: 1883, with TLS 8883")
    protocol: Protocol = Field(
        "5", description="5 lets advice expire in the broker; falls back to 3.1.1 where refused"
    )
    user: str | None = Field(None, description="user name, if the broker wants one")
    password_file: str | None = Field(None, description="file that holds the password, one line")
    password_credential: str | None = Field(
        None, description="name of a service credential that holds the password"
    )
    tls: Tls | None = Field(None, description="TLS; leave out for none")
    keepalive: Duration = Field(30.0, ge=5, le=3600, description="a silent link is dead after it")

    @model_validator(mode="after")
    def _one_secret(self) -> Broker:
        if self.password_file and self.password_credential:
            what = "give password_file or password_credential, not both"
            raise PartError(what, "password_credential", at_key=True)
        if (self.password_file or self.password_credential) and self.user is None:
            raise ValueError("a password needs a user")
        return self


class Taper(Section):
    """How the charge current falls as the highest cell rises, while resistance is not learnt."""

    from_v: CellVolts | None = Field(
        None, description="cell voltage where it starts to fall; default: the profile's upper knee"
    )
    margin_v: Annotated[float, Field(ge=0.01, le=0.5)] = Field(
        0.05, description="nothing is suggested from this far below the BMS's over-voltage on"
    )
    tail_c_rate: Annotated[float, Field(gt=0, le=0.5)] = Field(
        0.05, description="what is left at the charge voltage per cell, as a part of capacity"
    )


class BalancingHold(Section):
    """The time at the top that a balancer is given, with little current."""

    at_most: Duration = Field(
        3 * 3600.0, le=86400, description="a day, for as long as the sun allows; 0 s for none"
    )
    reach_v: Annotated[float, Field(ge=0.01, le=0.3)] = Field(
        0.10, description="the leading cell is held so far above the balancer's from_v"
    )


class ChargeLimit(Section):
    """The suggested charge current limit."""

    valid_for: Duration = Field(120.0, ge=10, le=3600, description="advice is void after it")
    horizon: Duration = Field(
        60.0, ge=10, le=1800, description="no cell comes to its limit sooner; above the delays"
    )
    margin_v: Annotated[float, Field(ge=0.005, le=0.3)] = Field(
        0.05, description="a cell's limit is so far inside the BMS's over-voltage"
    )
    taper: Taper = Field(Taper(), description="the fall toward the top, while nothing is learnt")
    rise_a_min: Annotated[float, Field(gt=0, le=5000)] | None = Field(
        None, description="fastest rise in A a minute; default: a tenth of the most it can be"
    )
    balancing_hold: BalancingHold = Field(
        BalancingHold(), description="time at the top for the balancer"
    )


class DischargeLimit(Section):
    """The suggested discharge current limit. It is valid for as long as that of the charge."""

    margin_v: Annotated[float, Field(ge=0.005, le=0.5)] = Field(
        0.10, description="a cell's limit is so far inside the BMS's under-voltage"
    )
    from_v: CellVolts = Field(
        3.05, description="lowest cell where it starts to fall, while nothing is learnt"
    )


class Bank(Section):
    """Packs in parallel on one DC bus."""

    charge_voltage_v: Volts = Field(description="absorption voltage that the charger holds")
    full_when: str = Field(
        "voltage_v >= charge_voltage_v - 0.1"
        " and -0.01 * nameplate_ah < current_a < 0.05 * nameplate_ah",
        description="your own definition of a full pack, in the language of rules",
    )
    full_hold: Duration = Field(300.0, description="full_when must hold that long")
    max_charge_a: Amps | None = Field(
        None, description="what the chargers may give together; default: the packs' sum"
    )
    max_discharge_a: Amps | None = Field(
        None, description="what inverter and loads may take together; default: the packs' sum"
    )
    bus_a: Amps | None = Field(
        None, description="what busbar and main wiring may carry, either way"
    )
    charge_limit: ChargeLimit = Field(ChargeLimit(), description="the suggested limit")
    discharge_limit: DischargeLimit = Field(DischargeLimit(), description="likewise for discharge")


class Bms(Section):
    """Thresholds of the BMS, per cell. Enter what yours is set to."""

    overvoltage_v: CellVolts = Field(3.65, description="it stops the charge above it")
    overvoltage_recovery_v: CellVolts = Field(3.55, description="and lets it go on below it")
    undervoltage_v: CellVolts = Field(2.60, description="it stops the discharge below it")
    undervoltage_recovery_v: CellVolts = Field(2.90, description="and lets it go on above it")
    full_v: CellVolts | None = Field(None, description="where it sets its SoC to 100 %, if it does")


class Cell(Section):
    """What the cell maker's sheet allows. It comes before every threshold."""

    max_v: CellVolts = Field(3.65, description="highest voltage that the maker allows")
    min_v: CellVolts = Field(2.50, description="lowest voltage that the maker allows")


class Balancer(Section):
    """The balancer of the pack."""

    current_a: Annotated[float, Field(gt=0, le=50)] = Field(description="current that it moves")
    from_v: CellVolts = Field(description="cell voltage where it starts")


class Band(Section):
    """Temperatures in which the cell maker allows less charge current."""

    from_degc: Annotated[float, Field(ge=-40, le=90)] = Field(description="begin of the band")
    to_degc: Annotated[float, Field(ge=-40, le=90)] = Field(description="its end")
    c_rate: Annotated[float, Field(ge=0, le=5)] = Field(
        description="most in it, as a part of nameplate_ah"
    )

    @model_validator(mode="after")
    def _rising(self) -> Band:
        if self.from_degc >= self.to_degc:
            raise PartError("from_degc must be below to_degc", "from_degc")
        return self


class Temperature(Section):
    """The windows in which the cell maker allows charge and discharge."""

    charge_min_degc: Annotated[float, Field(ge=-40, le=60)] = Field(
        0.0, description="no charge below"
    )
    charge_max_degc: Annotated[float, Field(ge=0, le=90)] = Field(
        45.0, description="no charge above"
    )
    charge_bands: list[Band] = Field(
        [], description="bands inside it with less charge current, from the sheet"
    )
    discharge_min_degc: Annotated[float, Field(ge=-40, le=60)] = Field(
        -20.0, description="no discharge below"
    )
    discharge_max_degc: Annotated[float, Field(ge=0, le=90)] = Field(
        60.0, description="no discharge above"
    )


class Pack(Section):
    """One pack with its own BMS (a string, in SunSpec's words)."""

    bank: Name = Field(description="the bank it is in")
    cells_in_series: int = Field(16, ge=4, le=32, description="cells in series")
    nameplate_ah: Annotated[float, Field(gt=0, le=5000)] = Field(description="rated capacity")
    max_charge_a: Amps = Field(description="highest charge current of cells, BMS, fuse and wiring")
    max_discharge_a: Amps | None = Field(None, description="likewise for discharge")
    fuse_a: Amps | None = Field(
        None, description="rated current of its fuse; four fifths of it count, either way"
    )
    in_service: bool = Field(True, description="no: the pack is switched off on purpose")
    cell: Cell = Field(Cell(), description="limits from the cell maker's sheet")
    bms: Bms = Field(Bms(), description="thresholds of its BMS")
    balancer: Balancer | None = Field(None, description="its balancer, if it has one")
    temperature: Temperature = Field(Temperature(), description="window for charging")

    @model_validator(mode="after")
    def _order(self) -> Pack:
        bms = self.bms
        if bms.overvoltage_recovery_v >= bms.overvoltage_v:
            what = "overvoltage_recovery_v must be below overvoltage_v"
            raise PartError(what, "bms", "overvoltage_recovery_v")
        if bms.undervoltage_v >= bms.undervoltage_recovery_v:
            what = "undervoltage_v must be below undervoltage_recovery_v"
            raise PartError(what, "bms", "undervoltage_v")
        if self.cell.min_v >= self.cell.max_v:
            raise PartError("min_v must be below max_v", "cell", "min_v")
        if self.temperature.charge_min_degc >= self.temperature.charge_max_degc:
            what = "charge_min_degc must be below charge_max_degc"
            raise PartError(what, "temperature", "charge_min_degc")
        if self.temperature.discharge_min_degc >= self.temperature.discharge_max_degc:
            what = "discharge_min_degc must be below discharge_max_degc"
            raise PartError(what, "temperature", "discharge_min_degc")
        return self


class FieldMap(Section):
    """How one value is found and turned into ours: raw * scale + offset."""

    path: JsonPath | None = Field(None, description="JSONPath (RFC 9535), in a JSON document")
    name: str | None = Field(None, description="telemetry name, where the payload is the value")
    scale: float = Field(1.0, description="-1 turns discharge-positive current round")
    offset: float = Field(0.0, description="added after scaling; -273.15 for kelvin")
    bits: dict[Bit, Event] | None = Field(
        None, description="protection as a bit mask: bit number to event"
    )
    words: dict[Theirs, Event] | None = Field(
        None, description="protection as text, texts, or an object of yes/no: theirs to event"
    )
    when_true: Event | None = Field(None, description="protection as one yes/no: the event")

    @model_validator(mode="after")
    def _one_way(self) -> FieldMap:
        if sum(x is not None for x in (self.bits, self.words, self.when_true)) > 1:
            raise ValueError("give one of bits, words and when_true")
        if self.scale == 0:
            raise PartError("a scale of 0 would lose the value", "scale")
        return self


def _field_map(value: object) -> object:
    return {"path": value} if isinstance(value, str) else value


def _value_map(value: object) -> object:
    return {"name": value} if isinstance(value, str) else value


def _field_maps(value: object) -> object:
    items = value if isinstance(value, list) else [value]
    return [_field_map(item) for item in items]


OneOrMoreMaps = Annotated[list[FieldMap], BeforeValidator(_field_maps), Field(min_length=1)]
ValueMap = Annotated[FieldMap, BeforeValidator(_value_map)]


class Source(Section):
    """One topic, or family of topics, that carries telemetry."""

    topic: str = Field(description="topic; {pack}, {cell} and {sensor} capture a level")
    pack: Name | None = Field(None, description="the pack, where the topic does not name it")
    pack_names: dict[Theirs, Name] = Field({}, description="their name of a pack to ours")
    first_cell: Literal[0, 1] = Field(1, description="number of the first cell in {cell}")
    stale_after: Duration | None = Field(None, gt=0, description="for this source alone")
    json_: dict[str, OneOrMoreMaps] | None = Field(
        None, alias="json", description="the payload is a JSON document: name to path"
    )
    value: ValueMap | None = Field(None, description="the payload is one plain value: its name")

    @model_validator(mode="after")
    def _whole(self) -> Source:
        try:
            pattern = TopicPattern(self.topic)
        except ValueError as error:
            raise PartError(str(error), "topic") from None
        if (self.json_ is None) == (self.value is None):
            raise ValueError("a source has either json: or value:")
        if (self.pack is None) == ("pack" not in pattern.captures):
            raise ValueError("name the pack once: by {pack} in the topic or by pack:")
        for name, maps in (self.json_ or {}).items():
            what = _fault_of_maps(name, maps)
            if what is not None:
                raise PartError(what, "json", name, at_key=True)
        if self.value is not None:
            if self.value.name is None or self.value.path is not None:
                raise PartError("value: wants a telemetry name (and scale, offset, ...)", "value")
            what = _fault_of_maps(self.value.name, [self.value], time=False)
            if what is not None:
                raise PartError(what, "value")
        per_item = {"cell": "cell_v", "sensor": "temperature_degc"}
        for capture, name in per_item.items():
            if capture in pattern.captures and (self.value is None or self.value.name != name):
                raise PartError(f"{{{capture}}} in a topic goes with value: {name}", "topic")
        return self


# With all settings by name it would be no sentence any more.
_SOME_NAMES = (
    "expected one of "
    + ", ".join(f"'{name}'" for name in MAPPED if not name.startswith("setting."))
    + ", or a setting such as 'setting.overvoltage_v'"
)


def _fault_of_maps(name: str, maps: list[FieldMap], *, time: bool = True) -> str | None:
    valid = (*MAPPED, TIME) if time else MAPPED
    if name not in valid:
        return f"unknown telemetry name '{name}'; {nearest(name, valid, many=_SOME_NAMES)}"
    if len(maps) > 1 and name != PROTECTION:
        return f"{name}: only protection may be gathered from several places"
    for item in maps:
        eventful = item.bits or item.words or item.when_true
        if name == PROTECTION and not eventful and item.path is not None:
            return "protection: say by bits, words or when_true what the values mean"
        if name != PROTECTION and eventful:
            return f"{name}: bits, words and when_true go with protection only"
        if time and item.path is None:
            return f"{name}: path is missing"
        if time and item.name is not None:
            return f"{name}: 'name' goes with value: only"
        if name in (*FLAGS, PROTECTION) and (item.scale != 1 or item.offset != 0):
            return f"{name}: has no scale and offset"
    return None


class Telemetry(Section):
    """The gate through which telemetry comes in."""

    stale_after: Duration = Field(60.0, gt=0, description="a measurement is stale after it")
    parts_within: Duration = Field(
        5.0, gt=0, description="cells that come one by one count as one set within it"
    )
    clock_tolerance: Duration = Field(
        60.0, description="a time of measurement may be that far in the future"
    )
    max_payload_bytes: int = Field(65536, ge=256, le=4_194_304, description="larger is refused")
    max_waiting: int = Field(
        1000, ge=10, le=100_000, description="messages that may wait; then the newest of each topic"
    )
    figures_every: Duration = Field(10.0, ge=1, description="figures are published that often")


class Alarms(Section):
    """What holds for all alarms."""

    longest_shelve: Duration = Field(
        7 * 86400.0, gt=0, description="an alarm is shelved for that long at most"
    )


class Store(Section):
    """What watchd keeps over a restart."""

    path: str = Field("/var/lib/watchd/watchd.db", min_length=1, description="database file")
    keep_raw: Duration = Field(
        90 * 86400.0, description="telemetry is kept that long, for replay and tune; 0 s for none"
    )
    most_mb: int = Field(500, ge=1, le=1_000_000, description="and at most that much of it")


VoltsAndSoc = Annotated[
    list[Annotated[float, Field(ge=0, le=50)]], Field(min_length=2, max_length=2)
]


class UpperEnd(Section):
    """The steep top: the open-circuit voltage stands above from_v by what grows with charge."""

    from_v: CellVolts = Field(3.315, description="where the rise starts from")
    efold_pct: Annotated[float, Field(gt=0, le=20)] = Field(
        0.98, description="charge in % in which the rise grows 2.72-fold"
    )


class Profile(Section):
    """The chemistry. Lithium iron phosphate is what ships."""

    upper_knee_v: CellVolts = Field(
        3.40, description="cell voltage at which the flat part of the curve ends"
    )
    flat_from_v: CellVolts = Field(3.20, description="cell voltage at which the flat part begins")
    low_end: list[VoltsAndSoc] = Field(
        [[2.60, 0.8], [2.80, 3.1], [2.90, 5.2], [3.00, 8.8], [3.10, 12.7]],
        min_length=2,
        description="open-circuit voltage of a cell and SoC in %, where the low end is steep",
    )
    upper_end: UpperEnd = Field(UpperEnd(), description="where the top is steep")

    @model_validator(mode="after")
    def _rising(self) -> Profile:
        if any(v >= w or soc >= then for (v, soc), (w, then) in pairwise(self.low_end)):
            raise PartError("both must rise from point to point", "low_end", at_key=True)
        if self.flat_from_v >= self.upper_knee_v:
            raise PartError("flat_from_v must be below upper_knee_v", "flat_from_v")
        return self


class Config(Section):
    """The whole file."""

    broker: Broker = Field(Broker(), description="the MQTT broker")
    prefix: Prefix = Field(
        "watchd", description="first levels of every topic that watchd publishes"
    )
    banks: dict[Name, Bank] = Field(min_length=1, description="the banks")
    packs: dict[Name, Pack] = Field(min_length=1, description="the packs")
    sources: list[Source] = Field(min_length=1, description="where telemetry comes from")
    telemetry: Telemetry = Field(Telemetry(), description="staleness, sizes, rhythm")
    alarms: Alarms = Field(Alarms(), description="what holds for all alarms")
    store: Store = Field(Store(), description="state over a restart")
    profile: Profile = Field(Profile(), description="the chemistry")
    rules: str | None = Field(None, description="folder of rules; default: those that ship")

    def packs_of(self, bank: str) -> dict[str, Pack]:
        """The packs of a bank that are in service."""
        return {n: p for n, p in self.packs.items() if p.bank == bank and p.in_service}


def parse_config(document: Document) -> Config:
    """Validate a parsed config file. Raises WatchdError with every problem found."""
    if not isinstance(document.data, dict):
        what = "a config has the keys banks, packs and sources"
        empty = document.data is None
        raise WatchdError(document.problem(f"nothing stands here; {what}" if empty else what, ()))
    try:
        config = Config.model_validate(document.data)
    except ValidationError as error:
        raise WatchdError(schema_problems(document, error, Config)) from None
    problems = list(_cross_checks(document, config))
    if problems:
        raise WatchdError(problems)
    return config


def _cross_checks(document: Document, config: Config) -> Iterator[Problem]:
    for name, pack in config.packs.items():
        if pack.bank not in config.banks:
            what = f"no bank is called '{pack.bank}'; {nearest(pack.bank, list(config.banks))}"
            yield document.problem(what, ("packs", name, "bank"))
            continue
        # Worth refusing, not only a finding: with it the first full charge ends in a trip.
        per_cell = config.banks[pack.bank].charge_voltage_v / pack.cells_in_series
        if per_cell >= pack.bms.overvoltage_v:
            what = (
                f"{pack.cells_in_series} cells at the bank's charge voltage are at "
                f"{per_cell:.3f} V each, not below overvoltage_v {pack.bms.overvoltage_v:g} V"
            )
            yield document.problem(what, ("packs", name), at_key=True)
    for name in config.banks:
        if not any(p.bank == name for p in config.packs.values()):
            yield document.problem(f"no pack is in the bank '{name}'", ("banks", name), at_key=True)
    known = list(config.packs)
    for index, source in enumerate(config.sources):
        if source.pack is not None and source.pack not in config.packs:
            what = f"no pack is called '{source.pack}'; {nearest(source.pack, known)}"
            yield document.problem(what, ("sources", index, "pack"))
        for theirs, ours in source.pack_names.items():
            if ours not in config.packs:
                what = f"no pack is called '{ours}'; {nearest(ours, known)}"
                # A number is a number in the file, and text in the config.
                number = int(theirs) if theirs.isdecimal() else theirs
                base = ("sources", index, "pack_names")
                key = theirs if (*base, theirs) in document.values else number
                yield document.problem(what, (*base, key))
        own = config.prefix + "/"
        if source.topic.startswith(own):
            what = f"this is below watchd's own prefix '{own}'"
            yield document.problem(what, ("sources", index, "topic"))
