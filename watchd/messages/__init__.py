"""What the payloads of watchd's own topics hold, each declared once.

The code that makes a payload returns one of these; `watchd schema topics` prints their JSON Schema.
A key that is not always there is `NotRequired`; one whose value may be unknown has None for it.
"""

from watchd.messages.alarms import AlarmRecord, Annunciation, JournalEntry
from watchd.messages.answers import (
    AlarmList,
    Audit,
    Bearing,
    Done,
    Explanation,
    History,
    ListedAlarm,
    ReanchorAnswer,
    Refusal,
    SettingLine,
    SettingsFinding,
    SettingsSheet,
    Wait,
    Why,
    WhyPart,
)
from watchd.messages.bank import (
    ChargeVoltageRecord,
    FiguresRecord,
    LimitPart,
    LimitRecord,
    ServiceRecord,
)
from watchd.messages.digest import (
    DigestActor,
    DigestAlarm,
    DigestAlarms,
    DigestBefore,
    DigestPack,
    DigestRecord,
)
from watchd.messages.reanchoring import (
    Reanchoring,
    ReanchorReading,
    ReanchorRecord,
    ReanchorStep,
    ReanchorWay,
    StepAnnunciation,
)
from watchd.messages.words import AlarmName, CellVolts, Number, Percent, Time, Values

__all__ = [
    "AlarmList",
    "AlarmName",
    "AlarmRecord",
    "Annunciation",
    "Audit",
    "Bearing",
    "CellVolts",
    "ChargeVoltageRecord",
    "DigestActor",
    "DigestAlarm",
    "DigestAlarms",
    "DigestBefore",
    "DigestPack",
    "DigestRecord",
    "Done",
    "Explanation",
    "FiguresRecord",
    "History",
    "JournalEntry",
    "LimitPart",
    "LimitRecord",
    "ListedAlarm",
    "Number",
    "Percent",
    "ReanchorAnswer",
    "ReanchorReading",
    "ReanchorRecord",
    "ReanchorStep",
    "ReanchorWay",
    "Reanchoring",
    "Refusal",
    "ServiceRecord",
    "SettingLine",
    "SettingsFinding",
    "SettingsSheet",
    "StepAnnunciation",
    "Time",
    "Values",
    "Wait",
    "Why",
    "WhyPart",
]
