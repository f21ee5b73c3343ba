"""When banks are read anew: one of several daemons subscribes to its own alone."""

from __future__ import annotations

from tests.scene import config_of
from watchd.shell.mqtt.credentials import Secrets
from watchd.shell.reload import wants_other_links

CONFIG = """
banks: {{hut: {{charge_voltage_v: 56.0{name}}}}}
packs: {{alder: {{bank: hut, nameplate_ah: 200, max_charge_a: 100}}}}
sources: [{{topic: "site/{{bank}}/{{pack}}/volts", value: voltage_v}}]
"""


def test_another_bank_is_another_subscription_where_banks_are_shared() -> None:
    for share, wants in (("share: {of: 1}\n", True), ("", False)):
        old = config_of(CONFIG.format(name="") + share)
        new = config_of(CONFIG.format(name=", topic_name: SN-17") + share)
        secrets = Secrets.of(old.broker)
        assert wants_other_links(old, secrets, new, secrets) == wants
        assert not wants_other_links(old, secrets, old, secrets)
