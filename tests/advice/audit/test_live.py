"""The audit in a running watch: its figures, its alarm, and when it is done anew."""

from __future__ import annotations

from dataclasses import replace

from tests.advice.audit.sheets import BANK, PACK, sheet
from tests.rules.shipped_rules import RULES
from tests.scene import CONFIG, Scene, config_of, pack, rules_of
from watchd.advice.audit.live import BankAudit, PackAudit
from watchd.config import Profile

RULE, OF_BANK = "settings-inconsistent", "bank-settings-inconsistent"
ENTERED = CONFIG.replace("alder: {", "alder: {bms: {overvoltage_v: 3.65}, ")
SHIPPED = (RULES[RULE], RULES[OF_BANK])


def test_settings_that_do_not_fit_are_told_until_they_are_mended() -> None:
    fault = CONFIG.replace("alder: {", "alder: {bms: {full_v: 3.55}, ")
    hut = Scene(SHIPPED, config_of(fault))
    hut.run(minutes=9.9, alder=pack())
    assert hut.transitions == []
    assert hut.figures("pack/alder")["settings_faults"] == 1
    hut.run(minutes=1, alder=pack())
    assert hut.raised(RULE, "pack/alder")
    record = hut.retained[f"watchd/alarm/{RULE}/pack/alder"]
    assert record["text"].startswith("alder: full_v is 3.550 V")
    assert "never leave a lowered or raised threshold unattended" in record["caution"].lower()
    mended = Scene(SHIPPED, config_of(ENTERED), state=hut.engine.snapshot())
    mended.seconds = hut.seconds
    mended.run(minutes=11, alder=pack())
    assert not mended.raised(RULE, "pack/alder")
    # The other pack was in order all the time.
    assert {key for _, key, _ in hut.history()} == {f"{RULE}/pack/alder"}


def test_a_threshold_that_is_changed_for_a_time_is_one_alarm_not_two() -> None:
    temporary = "protection-setting-temporary"
    hut = Scene((*SHIPPED, RULES[temporary]), config_of(ENTERED))
    hut.run(minutes=5, alder=pack(ov_mv=3650))
    figures = hut.figures("pack/alder")
    assert (figures["settings_faults"], figures["settings_fault"]) == (0, "none")
    hut.run(minutes=20, alder=pack(ov_mv=3580))
    figures = hut.figures("pack/alder")
    assert figures["settings_faults"] == 1
    assert figures["settings_fault"] == (
        "bms.overvoltage_v: the config says 3.650 V, the BMS reports 3.580 V"
    )
    assert hut.raised(temporary, "pack/alder")
    record = hut.retained[f"watchd/alarm/{RULE}/pack/alder"]
    assert record["state"] == "suppressed_by_design"
    hut.run(minutes=11, alder=pack(ov_mv=3650))
    assert not hut.raised(temporary, "pack/alder")
    assert not hut.raised(RULE, "pack/alder")


def test_the_worst_fault_is_told_and_all_are_counted() -> None:
    hut = Scene((), config_of(ENTERED))
    hut.run(minutes=1, alder=pack(ov_mv=3700))
    figures = hut.figures("pack/alder")
    assert figures["settings_faults"] == 2
    assert figures["settings_fault"] == (
        "over-voltage is at 3.700 V, above the 3.650 V that the cell maker allows"
    )


def test_the_banks_alarm_and_figures() -> None:
    hut = Scene(SHIPPED, config_of(CONFIG.replace("max_charge_a: 200", "max_charge_a: 250")))
    hut.run(minutes=11, alder=pack(), birch=pack())
    assert hut.raised(OF_BANK, "bank/hut")
    record = hut.retained[f"watchd/alarm/{OF_BANK}/bank/hut"]
    assert record["text"].startswith(
        "hut: max_charge_a of the bank is 250 A, the packs together may take 200 A"
    )
    assert hut.figures("bank/hut")["settings_faults"] == 1


def test_over_a_restart_what_the_bms_reported_still_counts() -> None:
    hut = Scene(SHIPPED, config_of(ENTERED))
    hut.run(minutes=11, alder=pack(ov_mv=3580))
    again = Scene(SHIPPED, config_of(ENTERED), state=hut.engine.snapshot())
    again.seconds = hut.seconds + 3600
    again.run(seconds=5, birch=pack())
    assert again.figures("pack/alder")["settings_faults"] == 1
    assert again.raised(RULE, "pack/alder")


def test_while_nobody_watched_nothing_is_known() -> None:
    rules = rules_of("""
- {rule: fine, about: bank, when: settings_faults == 0, priority: low, say: "{bank}"}
""")
    hut = Scene(rules)
    hut.run(minutes=1, alder=pack())
    assert hut.raised("fine", "bank/hut")
    again = Scene(rules, state=hut.engine.snapshot())
    again.seconds = hut.seconds + 7200
    again.run(seconds=5, alder=pack())
    assert again.transitions == []
    assert again.raised("fine", "bank/hut")


def test_it_is_done_anew_only_where_a_setting_has_changed() -> None:
    audit = PackAudit("alder", PACK, BANK, Profile())
    first = audit.sheet
    audit.update({}, None)
    assert audit.sheet is first
    audit.update({"overvoltage_v": 3.65}, None)
    second = audit.sheet
    assert second is not first
    audit.update({"overvoltage_v": 3.65}, None)
    assert audit.sheet is second
    audit.update({"overvoltage_v": 3.65}, 41.6)
    assert (audit.sheet.spread_mv, audit.sheet.spread_measured) == (42.0, True)
    audit.update({}, None)
    assert audit.sheet == first


def test_a_bank_is_looked_at_anew_when_one_of_its_sheets_is_another() -> None:
    bank = BankAudit("hut")
    alder, birch = sheet("alder"), sheet("birch")
    bank.update([alder, birch])
    first = bank.findings
    bank.update([alder, birch])
    assert bank.findings is first == []
    bank.update([alder, replace(birch, cells_in_series=17)])
    assert bank.figures["settings_faults"] == 1
    bank.update([alder, birch])
    assert bank.figures == {"settings_faults": 0, "settings_fault": "none"}
