"""AsyncAPI 3 document of watchd's own topics: what it publishes, and what it may be asked.

Source: AsyncAPI Specification 3.0.0, and its MQTT bindings 0.2.0. Payloads are JSON Schema draft 7
there, so that what stands beside a `$ref` is for people only.
"""

from __future__ import annotations

from typing import Any

from watchd import __version__
from watchd.advice.advice import Kind
from watchd.config import Bank, Broker, Config
from watchd.publish import Topics
from watchd.schemas.payloads import payload_schemas

_DESCRIPTION = """\
watchd watches the packs of a battery bank, raises alarms by rules, and suggests a charge current \
limit. It advises only: it writes nothing to a BMS, a charger or an inverter. Units are the end of \
each name; charge current is positive. An empty retained payload takes a message away: an alarm is \
normal again, advice is withdrawn."""
_MQTT = {"bindingVersion": "0.2.0"}
_RULE = {"description": "name of a rule"}
_JSON = "application/json"
_TEXT = "text/plain"
# Message: the name of its payload in components.schemas, its media type, and what it is.
_MESSAGES = {
    "service": ("ServiceRecord", _JSON, "The daemon: running, stopped or lost"),
    "alarm": ("AlarmRecord", _JSON, "The record of an alarm that is not normal"),
    "annunciation": ("Annunciation", _JSON, "What a phone should show now"),
    "step": ("StepAnnunciation", _JSON, "What a phone should show now, of a re-anchoring"),
    "reanchoring": ("ReanchorStep", _JSON, "The step or the record of a re-anchoring"),
    "charge-limit": ("LimitRecord", _JSON, "The suggested charge current limit"),
    "discharge-limit": ("LimitRecord", _JSON, "The suggested discharge current limit"),
    "charge-voltage": ("ChargeVoltageRecord", _JSON, "The suggested charge voltage"),
    "amps": ("Amps", _JSON, "A suggested current limit as a plain number, in A"),
    "volts": ("Volts", _JSON, "The suggested charge voltage as a plain number, in V"),
    "pack-figures": ("PackFigures", _JSON, "The figures of a pack"),
    "bank-figures": ("BankFigures", _JSON, "The figures of a bank"),
    "digest": (
        "DigestRecord",
        _JSON,
        "A digest for a phone: the packs, the alarms, what is not well",
    ),
    "withdrawal": ("Nothing", _TEXT, "Takes the retained message away"),
    "request": ("RequestEntry", _JSON, "What a person or program asks"),
    "done": ("Done", _JSON, "An alarm was changed as asked"),
    "list": ("AlarmList", _JSON, "The alarms"),
    "why": ("Explanation", _JSON, "Why an alarm is as it is"),
    "history": ("History", _JSON, "What the journal holds"),
    "audit": ("Audit", _JSON, "The settings of the packs, and what is wrong with them"),
    "reanchor": ("ReanchorAnswer", _JSON, "Whether a pack is to be re-anchored, and where it is"),
    "refusal": ("Refusal", _JSON, "Nothing was done, and why"),
}
_ADVICE = {
    Kind.CHARGE_LIMIT: "the charger",
    Kind.DISCHARGE_LIMIT: "inverter and loads",
    Kind.CHARGE_VOLTAGE: "the charger",
}
_ASKED_ON = ("request", "request-of")
_ANSWERS = ("done", "list", "why", "history", "audit", "reanchor", "refusal")


def topics_document(config: Config | None = None) -> dict[str, Any]:
    """The document, with prefix, broker, banks and packs of a config if one is given."""
    topics = Topics(config.prefix if config is not None else "watchd")
    document: dict[str, Any] = {
        "asyncapi": "3.0.0",
        "info": {
            "title": "watchd",
            "version": __version__,
            "description": _DESCRIPTION,
            "license": {"name": "Apache-2.0"},
        },
        "defaultContentType": _JSON,
    }
    if config is not None:
        document["servers"] = {"broker": _server(config.broker, topics)}
    channels = _channels(topics, config)
    if config is not None and not config.requests.enabled:
        channels = {n: c for n, c in channels.items() if n not in (*_ASKED_ON, "answer")}
    elif config is not None and config.requests.named_only:
        del channels["request"]
    return {
        **document,
        "channels": channels,
        "operations": _operations(channels, config),
        "components": {
            "messages": {name: _message(name) for name in _MESSAGES},
            "schemas": payload_schemas(),
        },
    }


def _server(broker: Broker, topics: Topics) -> dict[str, Any]:
    host = f"[{broker.host}]" if ":" in broker.host else broker.host
    will = {
        "topic": topics.service,
        "qos": 1,
        "retain": True,
        "message": f'{{"state":"lost","since":null,"version":"{__version__}"}}',
    }
    return {
        "host": f"{host}:{broker.port}",
        "protocol": "mqtt" if broker.tls is None else "secure-mqtt",
        "protocolVersion": broker.protocol,
        "description": "The broker of telemetry. With 3.1.1 nothing expires: see `until`.",
        "bindings": {"mqtt": {"lastWill": will, "keepAlive": round(broker.keepalive), **_MQTT}},
    }


def _channels(topics: Topics, config: Config | None) -> dict[str, Any]:
    bank = _named("name of a bank", list(config.banks) if config else [])
    in_service = [name for name, pack in config.packs.items() if pack.in_service] if config else []
    pack = _named("name of a pack", in_service)
    kind = {"description": "what the alarm is about", "enum": ["pack", "bank", "service"]}
    name = {"description": "name of the pack or bank; watchd for the service"}
    cell = {"description": "number of the cell, from 1"}
    return {
        "service": _channel(topics.service, "State of the daemon, and its will", "service"),
        "alarm": _channel(
            topics.alarm("{rule}", "{kind}/{name}"), "An alarm of a pack, a bank or watchd itself",
            "alarm", "withdrawal", rule=_RULE, kind=kind, name=name,
        ),
        "alarm-of-cell": _channel(
            topics.alarm("{rule}", "cell/{pack}/{cell}"), "An alarm of one cell",
            "alarm", "withdrawal", rule=_RULE, pack=pack, cell=cell,
        ),
        "annunciation": _channel(topics.annunciation, "For a phone", "annunciation", "step"),
        "newest-annunciation": _channel(
            topics.newest_annunciation,
            "The newest annunciation again, by which watchd sees what the broker has",
            "annunciation", "step", "withdrawal",
        ),
        "reanchoring": _channel(
            topics.reanchor("{pack}"), "The guided re-anchoring of a pack, and what to do now",
            "reanchoring", "withdrawal", pack=pack,
        ),
        **_advice_channels(topics, bank),
        "pack-figures": _channel(
            topics.figures("pack/{pack}"), "What is known of a pack", "pack-figures", pack=pack
        ),
        "bank-figures": _channel(
            topics.figures("bank/{bank}"), "What is known of a bank", "bank-figures", bank=bank
        ),
        "daily-digest": _channel(
            topics.digest("daily"), "The digest of the day; it stays until the next",
            "digest", "withdrawal",
        ),
        "weekly-digest": _channel(
            topics.digest("weekly"), "The digest of the week, beside the week before",
            "digest", "withdrawal",
        ),
        "request": _channel(topics.request, "What may be asked of watchd", "request"),
        "request-of": _channel(
            topics.request_of("{name}"),
            "The same of one name: an access list can bind it to a user, and the journal says so",
            "request",
            name={"description": "who asks, 60 printable characters at most"},
        ),
        # The address is the one who asks'.
        "answer": _channel(None, "The answer to a request", *_ANSWERS),
    }  # fmt: skip


def _advice_channels(topics: Topics, bank: dict[str, Any]) -> dict[str, Any]:
    found = {}
    for kind, whom in _ADVICE.items():
        unit = topics.advice_number(kind, "").rsplit("/", 1)[1]
        found[str(kind)] = _channel(
            topics.advice(kind, "{bank}"),
            f"Advice for {whom}; none means no advice",
            str(kind),
            "withdrawal",
            bank=bank,
        )
        found[f"{kind}-{unit}"] = _channel(
            topics.advice_number(kind, "{bank}"), "The same as a plain number",
            unit, "withdrawal", bank=bank,
        )  # fmt: skip
    return found


def _named(description: str, names: list[str]) -> dict[str, Any]:
    return {"description": description, "enum": names} if names else {"description": description}


def _channel(
    address: str | None, description: str, *messages: str, **parameters: dict[str, Any]
) -> dict[str, Any]:
    found: dict[str, Any] = {
        "address": address,
        "description": description,
        "messages": {name: {"$ref": f"#/components/messages/{name}"} for name in messages},
    }
    return {**found, "parameters": parameters} if parameters else found


def _operations(channels: dict[str, Any], config: Config | None) -> dict[str, Any]:
    banks = list(config.banks.values()) if config else [Bank(charge_voltage_v=56.0)]
    expiry = {"messageExpiryInterval": _expiry(banks)}
    sent: dict[str, dict[str, Any]] = {
        "service": {"qos": 1, "retain": True},
        "alarm": {"qos": 1, "retain": True},
        "alarm-of-cell": {"qos": 1, "retain": True},
        "annunciation": {"qos": 1, "retain": False},
        "newest-annunciation": {"qos": 1, "retain": True},
        **{
            name: {"qos": 1, "retain": True, **expiry}
            for name in channels
            if name.startswith(tuple(_ADVICE))
        },
        "reanchoring": {"qos": 1, "retain": True},
        "daily-digest": {"qos": 1, "retain": True},
        "weekly-digest": {"qos": 1, "retain": True},
        "pack-figures": {"qos": 0, "retain": True},
        "bank-figures": {"qos": 0, "retain": True},
    }
    operations = {
        f"send-{name}": _operation("send", name, channels, binding)
        for name, binding in sent.items()
    }
    reply = {
        "address": {
            "location": "$message.header#/responseTopic",
            "description": "MQTT 5's response topic; else `reply_to` of the payload. Answered with "
            "QoS 1, not retained, with the correlation data of the request.",
        },
        "channel": {"$ref": "#/channels/answer"},
        "messages": _messages("answer", channels),
    }
    received = {
        f"receive-{name}": {
            **_operation("receive", name, channels, {"qos": 1, "retain": False}),
            "reply": reply,
        }
        for name in _ASKED_ON
        if name in channels
    }
    return {**operations, **received}


def _operation(
    action: str, channel: str, channels: dict[str, Any], binding: dict[str, Any]
) -> dict[str, Any]:
    return {
        "action": action,
        "channel": {"$ref": f"#/channels/{channel}"},
        "messages": _messages(channel, channels),
        "bindings": {"mqtt": {**binding, **_MQTT}},
    }


def _messages(channel: str, channels: dict[str, Any]) -> list[dict[str, str]]:
    names = channels[channel]["messages"]
    return [{"$ref": f"#/channels/{channel}/messages/{name}"} for name in names]


def _expiry(banks: list[Bank]) -> Any:
    """Seconds for which advice lives in the broker."""
    lives = sorted({round(bank.charge_limit.valid_for) for bank in banks})
    return lives[0] if len(lives) == 1 else {"type": "integer", "enum": lives}


def _message(name: str) -> dict[str, Any]:
    schema, media, summary = _MESSAGES[name]
    found: dict[str, Any] = {
        "name": name,
        "summary": summary,
        "contentType": media,
        "payload": {"$ref": f"#/components/schemas/{schema}"},
    }
    if name == "request":
        found["headers"] = {"$ref": "#/components/schemas/RequestHeaders"}
    if name == "request" or name in _ANSWERS:
        found["correlationId"] = {"location": "$message.header#/correlationData"}
    return found
