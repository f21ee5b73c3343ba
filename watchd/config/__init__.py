"""The one schema of the config file: names, units, defaults, and what each key is for.

Validation is here; `config.example.yaml` shows the same keys, and a test holds the two
together. Reading files is not: see `watchd.loading`.
"""

from watchd.config.bank import BalancingHold, Bank, ChargeLimit, DischargeLimit, Taper
from watchd.config.broker import Broker, Requests, Tls
from watchd.config.digest import Digest
from watchd.config.file import Alarms, Config, Elsewhere, Store, Telemetry, parse_config
from watchd.config.instances import of_instance
from watchd.config.many import Kind
from watchd.config.pack import Balancer, Band, Bms, Cell, Pack, Temperature
from watchd.config.phone import Phone, QuietHours, Replies
from watchd.config.profile import Profile, UpperEnd
from watchd.config.share import Share, instance_of
from watchd.config.sources import FieldMap, Source

__all__ = [
    "Alarms",
    "Balancer",
    "BalancingHold",
    "Band",
    "Bank",
    "Bms",
    "Broker",
    "Cell",
    "ChargeLimit",
    "Config",
    "Digest",
    "DischargeLimit",
    "Elsewhere",
    "FieldMap",
    "Kind",
    "Pack",
    "Phone",
    "Profile",
    "QuietHours",
    "Replies",
    "Requests",
    "Share",
    "Source",
    "Store",
    "Taper",
    "Telemetry",
    "Temperature",
    "Tls",
    "UpperEnd",
    "instance_of",
    "of_instance",
    "parse_config",
]
