"""The kinds of values that a config holds, each with what is checked of it."""

from __future__ import annotations

import re
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, BeforeValidator, Field, WithJsonSchema

from watchd.errors import nearest
from watchd.telemetry.events import EVENTS
from watchd.telemetry.jsonpath import check_path
from watchd.telemetry.topics import topic_fault

LONGEST_PREFIX = 200  # bytes
LONGEST_TOPIC_NAME = 100  # bytes; as long as a capture may be
_CONNINFO_PATTERN = r"^\s*[a-z_]+\s*=\s*('[^']*'|[^\s']+)(\s+[a-z_]+\s*=\s*('[^']*'|[^\s']+))*\s*$"
_CONNINFO = re.compile(_CONNINFO_PATTERN)
_PASSWORD = re.compile(r"\b(ssl)?password\s*=")
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}")


def fault_of_name(value: str) -> str | None:
    """Why a text cannot be the name of a bank or pack; None where it can."""
    if _NAME.fullmatch(value):
        return None
    return (
        f"'{value[:80]}' cannot be a name here; use letters, digits, - and _, 40 at most "
        "(it becomes a level of a topic)"
    )


def _name(value: str) -> str:
    fault = fault_of_name(value)
    if fault is not None:
        raise ValueError(fault)
    return value


def _pack_name(value: str) -> str:
    bank, dot, pack = value.partition(".")
    if dot and fault_of_name(bank) is None and fault_of_name(pack) is None:
        return value
    return _name(value)


def _conninfo(value: str) -> str:
    # The value is not shown: a password may be in it.
    if "://" in value or not _CONNINFO.fullmatch(value):
        raise ValueError(
            "a database is given by libpq's keywords, such as 'service=watchd' or 'host=db "
            "dbname=watchd user=watchd'"
        )
    if _PASSWORD.search(value):
        raise ValueError(
            "a password does not belong in this file: name a file that holds it by passfile=, or a "
            "service of ~/.pg_service.conf by service="
        )
    return value


def _topic_name(value: str) -> str:
    fault = topic_fault(value, LONGEST_TOPIC_NAME)
    if fault is not None or any(c in value for c in "+#/"):
        raise ValueError(
            f"'{value[:80]}' cannot stand for a bank in a topic: it is a part of one level, "
            f"without + # and /, and of {LONGEST_TOPIC_NAME} bytes at most"
        )
    return value


def _as_text(value: object) -> object:
    # YAML reads an unquoted 5 as a number.
    return str(value) if isinstance(value, int) and not isinstance(value, bool) else value


def _topic_prefix(value: str) -> str:
    if not value or any(c in value for c in "+#\0") or value.startswith(("/", "$")):
        raise ValueError(f"'{value}' cannot be a topic prefix; it has no + # and no leading / or $")
    value = value.rstrip("/")
    fault = topic_fault(value, LONGEST_PREFIX)
    if fault is not None:
        raise ValueError(f"'{value[:80]}' cannot be a topic prefix: {fault}")
    if "//" in value or "{" in value or "}" in value:
        raise ValueError(f"'{value}' cannot be a topic prefix; no level is empty or has braces")
    return value


def _host(value: str) -> str:
    if any(c in "@/" or c.isspace() or not c.isprintable() for c in value):
        # The value is not shown: a password may be in it.
        raise ValueError(
            "a host is a name or an address alone; port and user have keys of their own, and a "
            "password belongs in the file that password_file names"
        )
    return value


def _time_zone(value: str) -> str:
    try:
        ZoneInfo(value)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(
            f"'{value[:80]}' is no time zone that is known here; such as Europe/Oslo or UTC"
        ) from None
    return value


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
Conninfo = Annotated[
    str,
    AfterValidator(_conninfo),
    WithJsonSchema({"type": "string", "pattern": _CONNINFO_PATTERN}),
]
# Also of a pack in a file of banks.
PackName = Annotated[
    str,
    AfterValidator(_pack_name),
    WithJsonSchema({"type": "string", "pattern": rf"^{_NAME.pattern}(\.{_NAME.pattern})?$"}),
]
TopicName = Annotated[
    str,
    BeforeValidator(_as_text),
    AfterValidator(_topic_name),
    WithJsonSchema({"type": ["string", "integer"], "pattern": r"^[^+#/$\0][^+#/\0]*$"}),
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
Host = Annotated[
    str,
    Field(min_length=1),
    AfterValidator(_host),
    WithJsonSchema({"type": "string", "pattern": r"^[^@/\s]+$"}),
]
TimeZone = Annotated[str, AfterValidator(_time_zone)]
Volts = Annotated[float, Field(gt=0, le=160)]
CellVolts = Annotated[float, Field(ge=1.5, le=4.5)]
Amps = Annotated[float, Field(gt=0, le=5000)]
