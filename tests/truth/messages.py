"""A record as the messages of a bridge, to be fed to the engine."""

from __future__ import annotations

from collections.abc import Iterator

from tests.truth.record import Record
from tests.truth.watched import NAMES
from watchd.config import Config, parse_config
from watchd.documents import parse_document

# A bridge's rhythm is never exactly ours: a sample each 9.99 s.
PACE = 0.999

_SOURCES = """
sources:
  - topic: hut/{pack}/state
    json:
      voltage_v: $.volts
      current_a: $.amps
      soc_pct: $.soc
      temperature_degc: $.temp
      cell_v: {path: "$.mv[*]", scale: 0.001}
      charge_allowed: $.chg
      protection: {path: $.prot, bits: {0: OVER_VOLT}}
"""


def config_of(record: Record, seed: int, **telemetry: str) -> Config:
    """The keeper's config of one seed's bank; `telemetry` has keys of that section."""
    return parse_config(parse_document(config_text(record, seed, **telemetry), "config.yaml"))


def config_text(record: Record, seed: int, **telemetry: str) -> str:
    """The same, as it stands in a file."""
    bank = record.bank
    charge_v, charger_a = bank.charge_voltage_v[seed], bank.max_charge_a[seed]
    lines = [
        "banks:",
        f"  hut: {{charge_voltage_v: {charge_v:g}, max_charge_a: {charger_a:g}}}",
        "packs:",
    ]
    for pack, nameplate_ah in enumerate(bank.nameplate_ah[seed].tolist()):
        balancer = f"{{current_a: {bank.balancer_a[seed, pack, 0]:g}, from_v: 3.40}}"
        lines.append(
            f"  {NAMES[pack]}: {{bank: hut, nameplate_ah: {nameplate_ah:g}, "
            f"max_charge_a: {0.5 * nameplate_ah:g}, balancer: {balancer}, "
            "bms: {overvoltage_v: 3.65, overvoltage_recovery_v: 3.45}}"
        )
    if telemetry:
        lines.append(f"telemetry: {{{', '.join(f'{k}: {v}' for k, v in telemetry.items())}}}")
    return "\n".join(lines) + _SOURCES


def messages(record: Record, seed: int) -> Iterator[tuple[str, bytes, float]]:
    """Topic, payload and time of arrival; the packs come a second apart."""
    begin_at = float(record.at[0])
    topics = [f"hut/{name}/state" for name in NAMES[: record.bank.shape[1]]]
    for begin in range(0, len(record.at), 8640):
        part = slice(begin, begin + 8640)
        times = record.at[part].tolist()
        cells = record.cell_mv[part, seed].tolist()
        amps = record.current_a[part, seed].astype(float).round(1).tolist()
        volts = record.voltage_v[part, seed].astype(float).round(2).tolist()
        socs = record.soc_pct[part, seed].tolist()
        degcs = record.temperature_degc[part, seed].astype(float).round(1).tolist()
        tripped = record.tripped[part, seed].tolist()
        for step, at in enumerate(times):
            for pack, topic in enumerate(topics):
                trip = tripped[step][pack]
                payload = (
                    f'{{"volts":{volts[step][pack]},"amps":{amps[step][pack]},'
                    f'"soc":{socs[step][pack]},"temp":{degcs[step]},"mv":{cells[step][pack]},'
                    f'"chg":{"false" if trip else "true"},"prot":{int(trip)}}}'
                )
                yield topic, payload.encode(), begin_at + (at - begin_at) * PACE + pack
