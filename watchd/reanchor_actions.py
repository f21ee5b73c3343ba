"""Does what people ask of a re-anchoring: look, begin, set, restored, cancel."""

from __future__ import annotations

from collections.abc import Mapping

from watchd.advice.reanchoring import CAUTION
from watchd.advice.reanchoring.assessment import Assessment, Offer, assess
from watchd.advice.reanchoring.carrying import Other, without
from watchd.advice.reanchoring.states import Procedure, Reading, RefusedError, Step, Way, Word
from watchd.advice.reanchoring.texts import way_text
from watchd.advice.reanchoring.values import known
from watchd.advice.reanchoring.words import say
from watchd.errors import nearest
from watchd.figures import Figures
from watchd.messages import ReanchorAnswer, Reanchoring
from watchd.reanchor_records import ended_record, step_record, way_offered
from watchd.requests import ReanchorDo, ReanchorRequest, RequestError
from watchd.watch.pack import PackWatch

_WORDS = {
    ReanchorDo.SET: Word.SET,
    ReanchorDo.RESTORED: Word.RESTORED,
    ReanchorDo.CANCEL: Word.CANCEL,
}


class ReanchorActions:
    """Carries out requests about re-anchoring, on the watches of the packs.

    `knee_v` is where the flat part of the cells' curve ends.
    """

    def __init__(self, packs: Mapping[str, PackWatch], knee_v: float) -> None:
        self._packs, self._knee_v = packs, knee_v

    def take(self, request: ReanchorRequest, now: float, step_s: float) -> ReanchorAnswer:
        """Do it, and answer. `step_s`: shown minus kept time. Raises RequestError."""
        watch = self._packs.get(request.pack)
        if watch is None:
            hint = nearest(request.pack, list(self._packs))
            raise RequestError(f"no pack in service is called '{request.pack}'; {hint}")
        warning: list[str] = []
        try:
            if request.step is ReanchorDo.BEGIN:
                warning = self._begin(watch, request, now)
            elif request.step is not ReanchorDo.LOOK:
                self._say(watch, request, now)
        except RefusedError as error:
            raise RequestError(str(error)) from None
        told = self._told(watch, step_s, warning)
        # Who has just ended one is told how it ended.
        procedure = watch.reanchor.procedure
        if procedure is not None and request.step in _WORDS:
            told["step"] = step_record(procedure, step_s)
        return {"ok": True, "reanchor": told}

    def _say(self, watch: PackWatch, request: ReanchorRequest, now: float) -> None:
        procedure = watch.reanchor.procedure
        if procedure is None or not watch.reanchor.goes_on:
            raise RefusedError(f"no re-anchoring of {watch.name} goes on")
        word = _WORDS[request.step]
        said = say(procedure, word, watch.figures, now, value_v=request.value_v, sure=request.yes)
        watch.reanchor.take(said, now)

    # --- beginning ---

    def _begin(self, watch: PackWatch, request: ReanchorRequest, now: float) -> list[str]:
        """Begin, or say what has to be read before. Raises RefusedError."""
        self._is_free(watch)
        assessment = self._assess(watch)
        if assessment.needed is not True:
            raise RefusedError(assessment.sentences[0])
        offer = assessment.offer(request.way) if request.way else assessment.mildest()
        if offer is None:
            raise RefusedError(f"no way is open for {watch.name}: `watchd reanchor` says why")
        if not offer.open:
            reasons = "; ".join(offer.reasons)
            raise RefusedError(f"{way_text(offer.way)} of {watch.name} is not open: {reasons}")
        if offer.way is Way.THRESHOLD and not request.yes:
            return _warning(watch.name, offer, assessment)
        watch.reanchor.take(_begun(watch, offer, request.by, now), now)
        return []

    def _is_free(self, watch: PackWatch) -> None:
        """Raises RefusedError where this pack, or another of its bank, is in the middle of one."""
        procedure = watch.reanchor.procedure
        if procedure is not None and watch.reanchor.goes_on:
            raise RefusedError(
                f"one of {watch.name} goes on already, in step {procedure.step}; cancel it first"
            )
        for other in self._others(watch):
            theirs = other.reanchor.procedure
            if theirs is not None and theirs.occupies_bank:
                raise RefusedError(
                    f"{other.name} of the same bank is in the middle of one ({theirs.step}): one "
                    "pack at a time"
                )
            if other.figures.get("setting_temporary") is True:
                raise RefusedError(
                    f"the over-voltage threshold of {other.name} of the same bank is, or may be, "
                    "a temporary one: one pack at a time"
                )

    def _others(self, watch: PackWatch) -> list[PackWatch]:
        bank = watch.pack.bank
        return [p for p in self._packs.values() if p.pack.bank == bank and p is not watch]

    def _assess(self, watch: PackWatch) -> Assessment:
        others = [
            Other(
                other.name,
                other.pack.nameplate_ah,
                other.pack.max_charge_a,
                other.pack.max_discharge_a,
                other.figures,
            )
            for other in self._others(watch)
        ]
        carrying = without(watch.name, watch.figures, others)
        records = watch.reanchor.records
        return assess(watch.pack, watch.figures, records, carrying, self._knee_v)

    # --- answering ---

    def _told(self, watch: PackWatch, step_s: float, warning: list[str]) -> Reanchoring:
        assessment = self._assess(watch)
        goes_on = watch.reanchor.goes_on
        offers = () if goes_on or assessment.needed is False else assessment.offers
        found: Reanchoring = {
            "pack": watch.name,
            "needed": assessment.needed,
            "assessment": list(assessment.sentences),
            "now": _now(watch.figures),
            "ways": [way_offered(offer) for offer in offers],
            "records": [ended_record(record, step_s) for record in watch.reanchor.records],
        }
        if warning:
            found["warning"] = warning
        if goes_on and watch.reanchor.procedure is not None:
            found["step"] = step_record(watch.reanchor.procedure, step_s)
        return found


def _begun(watch: PackWatch, offer: Offer, by: str, now: float) -> Procedure:
    protection = watch.figures.get("protection")
    return Procedure(
        pack=watch.name,
        way=offer.way,
        step=Step.APPROACHING if offer.way is Way.ABSORPTION else Step.WAITING,
        begun_at=now,
        since=now,
        before=Reading.of(watch.figures),
        charge_voltage_v=known(watch.figures, "charge_voltage_v") or 0.0,
        plan=offer.plan,
        full_v=offer.full_v,
        full_before_v=offer.full_before_v if offer.way is Way.FULL_SETTING else None,
        asked_h=offer.asked_h,
        carrying=offer.carrying,
        holding=offer.holding,
        by=by,
        trip_stands=isinstance(protection, tuple) and "OVER_VOLT" in protection,
    )


def _warning(pack: str, offer: Offer, assessment: Assessment) -> list[str]:
    milder = [o for o in assessment.offers if o.open and o.way is not Way.THRESHOLD]
    found = [offer.text, f"{offer.carrying} {offer.holding}"]
    if milder:
        ways = " and ".join(way_text(o.way) for o in milder)
        found.append(f"Milder, and still open: {ways}. Try that first.")
    found.append(CAUTION)
    found.append(
        f"Nothing has begun. If you go on, say: watchd reanchor {pack} begin --way threshold --yes"
    )
    return found


def _now(figures: Figures) -> str:
    parts = []
    for name, form in (
        ("voltage_v", "{:.1f} V"),
        ("current_a", "{:.0f} A"),
        ("cell_max_v", "highest cell {:.3f} V"),
        ("soc_pct", "the BMS shows {:.1f} %"),
    ):
        value = known(figures, name)
        if value is not None:
            parts.append(form.format(value))
    return f"Now: {', '.join(parts)}." if parts else "Now nothing is known of the pack."
