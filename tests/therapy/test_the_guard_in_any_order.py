"""Screenings, findings, time, decisions, lifts, orders, holds and moves in random order, with real rows.

After each step the guard is asked for every purpose, now and ahead, and must say what the small model says. The steps
go through the services and over HTTP, as pages and devices would.
"""

from datetime import timedelta
from typing import Any

import pytest
from django.db import transaction
from django.test import Client
from django.urls import reverse
from hypothesis import Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    RuleBasedStateMachine,
    invariant,
    precondition,
    rule,
    run_state_machine_as_test,
)

from clinic.ids import new_id
from clinic.patients.services import amend_patient
from clinic.records import Refused
from screening import services
from screening.lifts import services as lifts
from screening.models import Screening
from screening.policy import services as policies
from screening.policy.models import PolicyRule
from screening.policy.rules import CellRule, ShelfLifeRule
from screening.selectors import guards
from screening.table import Grade, Life
from tests.conftest import NOW
from tests.therapy.conftest import prescription
from tests.therapy.sessions.samples import AIR, done, measured, payload
from tests.therapy.small_model import CELLS, LIFE, Model, Said, answered, in_words, platelets
from tests.visitor import Visitor
from therapy.orders import services as orders
from therapy.orders.models import Order
from therapy.sessions import services as sessions

pytestmark = [pytest.mark.django_db, pytest.mark.slow]

TECHNIQUES = ("oscillating_pep", "head_down_drainage", "mi_e", "assisted_cough")
PURPOSES = ("activate", "schedule", "display", "begin", "record")
# One of each kind: asked before each treatment, of the day, standing; relative, starred bar, published bar.
ROWS = ("epistaxis", "vomiting_now", "rib_fracture", "facial_fracture", "osteoporosis", "aspiration_risk")
NUMBER, BY_NUMBER = "platelets_10e9_per_l", ("platelets_20_to_49", "platelets_under_20")
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)

techniques = st.sampled_from(TECHNIQUES)
words = st.sampled_from(["yes", "no", "unknown"])
some_words = st.dictionaries(st.sampled_from(ROWS), words, min_size=1, max_size=2)
hours = st.sampled_from([1, 8, 30, 24 * 7])


class OnePatient(RuleBasedStateMachine):
    """One patient of the therapist; what is done to her, and what the model says should follow."""

    world: Any
    cast: Any
    clock: Any

    def __init__(self) -> None:
        super().__init__()
        self.clock.move_to(NOW)
        self.rolled_back = transaction.atomic()
        self.rolled_back.__enter__()
        self.now = NOW
        self.model = Model()
        self.patient = self.world.mosswater
        self.patient.refresh_from_db()
        self.orders: dict[str, Order] = {}
        self.resting: set[str] = set()
        self.signed: list[tuple[tuple[str, str], Any]] = []
        self.policy: dict[tuple[str, str] | str, PolicyRule] = {}

    def teardown(self) -> None:
        transaction.set_rollback(True)
        self.rolled_back.__exit__(None, None, None)

    # Time

    @rule(minutes=st.sampled_from([1, 20, 59, 60, 61, 300, 24 * 60 + 1, 3 * 24 * 60]))
    def time_goes_by(self, minutes: int) -> None:
        self._pass(minutes * MINUTE)

    # Screening

    @rule(found=some_words)
    def somebody_screens_for_everything(self, found: dict[str, str]) -> None:
        new = dict.fromkeys(LIFE, "no") | found
        self._record(new, keep=(), whole=True)
        self.model.screen(answered(None, new, self.now, keep=False), whole_at=self.now)

    @rule(new=some_words)
    def some_answers_come_in_and_the_others_stay(self, new: dict[str, str]) -> None:
        """A new finding from anywhere: a treatment, an import."""
        self._record(new, keep="all")
        self.model.screen(answered(self.model.said, new, self.now, keep=True))

    @precondition(lambda self: self.model.said is not None)
    @rule(row=st.sampled_from(ROWS))
    def what_was_found_goes_or_comes_back(self, row: str) -> None:
        said = self.model.said and self.model.said.get(row)
        new = {row: "no" if said and said.state == "yes" else "yes"}
        self._record(new, keep="all")
        self.model.screen(answered(self.model.said, new, self.now, keep=True))

    @precondition(lambda self: self.model.said is not None)
    @rule(value=st.sampled_from([180, 50, 49, 20, 19]))
    def the_laboratory_counts_platelets(self, value: int) -> None:
        self._record({NUMBER: value}, keep="all")
        self.model.screen(platelets(self.model.said, value, self.now))

    @precondition(lambda self: self.model.said is not None)
    @rule(new=some_words)
    def what_was_asked_earlier_arrives_late(self, new: dict[str, str]) -> None:
        """It was asked before the screening in force: that one stays."""
        in_force = Screening.objects.get(patient=self.patient, ended_at__isnull=True)
        self._record(dict.fromkeys(LIFE, "no") | new, keep=(), at=in_force.started_at - MINUTE)

    @precondition(lambda self: self.model.said is not None)
    @rule(found=some_words, again=words)
    def somebody_screens_again_on_the_page(self, found: dict[str, str], again: str) -> None:
        """Each group's tick, what was found, and `again` for what was so last time and must be answered for itself."""
        assert self.model.said is not None
        page = self._visitor().go(reverse("screening-new", args=[self.patient.pk]))
        filled = page.form_with("Record screening").values
        standing = {row for row, one in self.model.said.items() if self._stands(row, one)}
        for row in (*ROWS, *BY_NUMBER):
            one = self.model.said.get(row)
            typed = one is not None and one.text not in ("yes", "no", "unknown")
            assert (row in filled) is (row in standing and not typed), row
        asked = {row for row, one in self.model.said.items() if one.state == "yes" and row not in standing}
        # What is asked by itself, because it alone settles an ordered technique, no tick answers.
        alone = dict.fromkeys(filled.get("asked_alone", [""])[0].split(), "no")
        told = alone | dict.fromkeys(asked, again) | found
        page.send_values("Record screening", told | self._ticks(page))
        new = {}
        for row in LIFE:
            if row in told:
                if row not in standing or self.model.said[row].state != told[row]:
                    new[row] = told[row]
            elif row not in standing:
                new[row] = "no"
        after = answered(self.model.said, new, self.now, keep=True)
        for row in BY_NUMBER:
            after = in_words(after, row) if row in new else after
        self.model.screen(after, whole_at=self.now)

    @rule(technique=techniques, again=words)
    def somebody_checks_at_the_bedside(self, technique: str, again: str) -> None:
        """The check asks exactly what is open and bears on the technique; the rest stays."""
        wanted = self.model.open_rows(technique, self.now)
        page = self._visitor().go(reverse("bedside-check", args=[self.patient.pk, technique]))
        barred = self.model.result(technique, "begin", self.now) == "do_not_start"
        if not wanted or (self.model.to_screen_again and not barred and self.model.said is not None):
            assert "Record the check" not in page.response.content.decode()
            return
        form = page.form_with("Record the check")
        assert set(form.values["asked"][0].split()) == wanted
        before = self.model.said or {}
        found = {row for row in wanted if row in before and before[row].state == "yes"}
        told: dict[str, Any] = dict.fromkeys(found, again)
        if "none" in form.names:
            told["none"] = "checked"
        page.send_values("Record the check", told)
        new = {row: again if row in found else "no" for row in wanted}
        after = answered(before, new, self.now, keep=True)
        for row in BY_NUMBER:
            after = in_words(after, row) if row in new else after
        self.model.screen(after)

    # Decisions and lifts

    @rule(among=techniques, proceed=st.sampled_from([True, True, False]), hours=hours)
    def a_clinician_decides(self, among: str, proceed: bool, hours: int) -> None:
        """On what asks for it, where anything does; elsewhere a decision is refused."""
        asking = [key for key in TECHNIQUES if self._to_decide(key)]
        technique = asking[TECHNIQUES.index(among) % len(asking)] if asking else among
        screening = Screening.objects.filter(patient=self.patient, ended_at__isnull=True).first()
        if screening is None:
            return
        to_decide = self._to_decide(technique)
        expires_at = self.now + hours * HOUR
        try:
            services.decide(
                by=self.cast.lead, screening=screening, technique=technique, proceed=proceed,
                reason_code="other", reason="Weighed", at=self.now, expires_at=expires_at,
            )  # fmt: skip
        except Refused:
            assert not to_decide
            return
        assert to_decide
        self.model.decide(technique, proceed=proceed, expires_at=expires_at)

    @precondition(lambda self: self._to_decide("mi_e"))
    @rule(proceed=st.booleans())
    def a_clinician_decides_on_the_page(self, proceed: bool) -> None:
        page = self._visitor().go(reverse("screening-decide", args=[self.patient.pk, "mi_e"]))
        page.send(
            "Check before recording",
            proceed="yes" if proceed else "no",
            reason_code="other",
            reason="Weighed",
        )
        page.send("Record decision")
        # The page proposes 24 hours, to the minute.
        until = (self.now + 24 * HOUR).replace(second=0, microsecond=0)
        self.model.decide("mi_e", proceed=proceed, expires_at=until)

    @rule(technique=techniques, row=st.sampled_from(ROWS), hours=hours)
    def two_clinicians_lift_a_bar(self, technique: str, row: str, hours: int) -> None:
        """A starred "do not start" by two signatures; a published one never."""
        said = (self.model.said or {}).get(row)
        may = self.model.cell(row, technique) == ("A", "yes") and said is not None and said.state == "yes"
        expires_at = self.now + hours * HOUR
        try:
            lift = lifts.propose(
                by=self.cast.therapist, patient=self.patient, technique=technique, condition=row, prescriber="",
                prescriber_account=self.cast.therapist, given="", reason="Weighed", expires_at=expires_at,
                at=self.now,
            )  # fmt: skip
        except Refused:
            assert not may
            return
        assert may
        assert said is not None
        self._same_as_the_model()  # one signature lifts nothing
        lifts.sign(by=self.cast.lead, lift=lift, at=self.now)
        self.model.lifts[row, technique] = (said.text, expires_at)
        self.signed.append(((row, technique), lift))

    @precondition(lambda self: self.signed)
    @rule()
    def a_lift_is_ended_early(self) -> None:
        place, lift = self.signed.pop()
        lift.refresh_from_db()
        if lift.ended_at is None and self.now < lift.expires_at:
            lifts.end(by=self.cast.therapist, lift=lift, at=self.now, reason="No longer needed")
            del self.model.lifts[place]

    @precondition(lambda self: self.model.decided)
    @rule(data=st.data())
    def what_was_decided_on_goes_and_comes_back(self, data: st.DataObject) -> None:
        """The same answer as before does not bring the decision back."""
        technique = data.draw(st.sampled_from(sorted(self.model.decided)))
        weighed = sorted(row for row, text, _ in self.model.decided[technique].findings if text == "yes")
        for row in weighed[:1]:
            for said in ("no", "yes"):
                self._pass(MINUTE)
                self._record({row: said}, keep="all")
                self.model.screen(answered(self.model.said, {row: said}, self.now, keep=True))
                self._same_as_the_model()

    # Local policy

    @rule(technique=techniques, row=st.sampled_from(ROWS), grade=st.sampled_from(["R", "A"]))
    def the_lead_makes_a_cell_stricter(self, technique: str, row: str, grade: str) -> None:
        place = (row, technique)
        may = "NRA".index(grade) > "NRA".index(CELLS[place][0])
        if place in self.policy:
            return
        try:
            set_now = self._set(
                CellRule(condition=row, technique=technique, grade=Grade(grade), reason="Here")
            )
        except Refused:
            assert not may
            return
        assert may
        self.policy[place], self.model.stricter[place] = set_now, grade

    @rule(life=st.sampled_from(["today", "now"]), minutes=st.sampled_from([20, 59]))
    def the_lead_makes_a_shelf_life_shorter(self, life: str, minutes: int) -> None:
        if life not in self.policy:
            self.policy[life] = self._set(ShelfLifeRule(life=Life(life), minutes=minutes, reason="Here"))
            self.model.shorter[life] = minutes * MINUTE

    @precondition(lambda self: self.policy)
    @rule(data=st.data())
    def the_lead_ends_a_policy(self, data: st.DataObject) -> None:
        self._pass(MINUTE)
        place = data.draw(st.sampled_from(sorted(self.policy, key=str)))
        policies.end_rule(by=self.cast.lead, row=self.policy.pop(place), reason="Not needed")
        if isinstance(place, str):
            del self.model.shorter[place]
        else:
            del self.model.stricter[place]

    # Orders, treatments, moves

    @rule(technique=techniques)
    def an_order_is_started(self, technique: str) -> None:
        may = technique not in self.orders and self.model.allowed(technique, "activate", self.now)
        draft = orders.prescribe(
            by=self.cast.lead, patient=self.patient, prescription=prescription(technique)
        )
        try:
            order = orders.activate(by=self.cast.lead, order=draft)
        except Refused:
            assert not may
            return
        assert may
        self.orders[technique] = order

    @precondition(lambda self: self.orders)
    @rule(data=st.data())
    def an_order_is_held_or_goes_on_or_stops(self, data: st.DataObject) -> None:
        technique = data.draw(st.sampled_from(sorted(self.orders)))
        order, by = self.orders[technique], self.cast.lead
        if data.draw(st.booleans()):
            orders.stop(by=by, order=order, reason="Not wanted any more")
            del self.orders[technique]
            self.resting.discard(technique)
        elif technique in self.resting:
            orders.resume(by=by, order=order, reason="Goes on")
            self.resting.discard(technique)
        else:
            orders.hold(by=by, order=order, reason="Rests", decides="Dr Larkspur", decide_by=self.now + HOUR)
            self.resting.add(technique)

    @precondition(lambda self: self.orders)
    @rule(data=st.data())
    def somebody_presses_start(self, data: st.DataObject) -> None:
        """Begin over HTTP: refused wherever the guard or a person's hold stands in the way."""
        technique = data.draw(st.sampled_from(sorted(self.orders)))
        may = technique not in self.resting and self.model.allowed(technique, "begin", self.now)
        order = self.orders[technique]
        client = Client()
        client.force_login(self.cast.therapist)
        page = client.get(reverse("treat-order", args=[order.pk])).content.decode()
        assert ("Start now with" in page) is may
        response = client.post(reverse("treat-begin", args=["order", order.pk]))
        assert response.status_code == (302 if may else 422)

    @rule()
    def a_treatment_that_happened_is_recorded(self) -> None:
        """Never refused; outside the rules wherever begin would have been."""
        order = self.orders.get("oscillating_pep")
        inside = (
            order is not None
            and "oscillating_pep" not in self.resting
            and self.model.allowed("oscillating_pep", "record", self.now)
        )
        sent = payload(
            self.patient.pk,
            self.cast.therapist.pk,
            order=str(order.pk) if order else None,
            started_at=self.now.isoformat(),
            ended_at=self.now.isoformat(),
            done=done(sets=3),
            measurements=[measured("spo2_percent", "before", 94, AIR)],
        )
        recorded = sessions.record(by=self.cast.therapist, payload=sent)
        assert recorded.outcome == "recorded"
        assert recorded.treatment.outside_rules is not inside

    @rule()
    def the_patient_moves_to_another_care_setting(self) -> None:
        """No answer changes by it; before the next treatment the whole is screened again."""
        self.patient.refresh_from_db()
        unit = self.world.home if self.patient.unit_id == self.world.acute.pk else self.world.acute
        amend_patient(
            self.patient, by=self.cast.lead, changes={"unit": unit}, expect_version=self.patient.version
        )
        self.model.moved_at = self.now

    # What must hold after each step

    @invariant()
    def _same_as_the_model(self) -> None:
        pairs = [(self.patient.pk, technique) for technique in TECHNIQUES]
        for purpose in PURPOSES:
            later = () if purpose in ("begin", "record") else (26 * HOUR,)
            for ahead in (timedelta(0), *later):
                at = self.now + ahead
                found = guards(pairs, at, purpose=purpose)
                for technique in TECHNIQUES:
                    one = found[self.patient.pk, technique]
                    said = (one.result and str(one.result), one.allowed)
                    wanted = (
                        self.model.result(technique, purpose, at),
                        self.model.allowed(technique, purpose, at),
                    )
                    assert said == wanted, (technique, purpose, ahead, one.held_because)

    def _record(self, answers: dict[str, Any], *, keep: Any, at: Any = None, whole: bool = False) -> None:
        services.record_screening(
            by=self.cast.therapist, patient=self.patient, answers=answers, at=at or self.now, keep=keep,
            screening_id=new_id(), whole=whole,
        )  # fmt: skip

    def _pass(self, time: timedelta) -> None:
        self.now += time
        self.clock.move_to(self.now)

    def _set(self, given: CellRule | ShelfLifeRule) -> PolicyRule:
        return policies.set_rule(
            by=self.cast.lead, rule=given, review_on=(self.now + timedelta(days=90)).date()
        )

    def _to_decide(self, technique: str) -> bool:
        return self.model.result(technique, "display", self.now) == "clinician_must_decide"

    def _stands(self, row: str, one: Said) -> bool:
        """Filled in on the form: neither asked before each treatment, nor unknown, nor past its shelf life."""
        life = self.model.life(row)
        in_date = life is None or self.now - one.at <= life
        return LIFE[row] != "now" and one.state != "unknown" and in_date

    def _ticks(self, page: Visitor) -> dict[str, str]:
        return {name: "on" for name in page.form_with("Record screening").names if name.startswith("none_")}

    def _visitor(self) -> Visitor:
        """The therapist at the app, signed in."""
        visitor = Visitor.__new__(Visitor)
        visitor.client = Client()
        visitor.client.force_login(self.cast.therapist)
        return visitor


def test_whatever_happens_in_whatever_order_the_guard_says_what_the_rules_say(
    world: Any, cast: Any, clock: Any
) -> None:
    class Machine(OnePatient):
        pass

    Machine.world, Machine.cast, Machine.clock = world, cast, clock
    # Without shrinking, which takes many minutes with real rows: a failure is told at once, with its steps.
    phases = [Phase.explicit, Phase.reuse, Phase.generate]
    run_state_machine_as_test(
        Machine, settings=settings(max_examples=10, stateful_step_count=16, phases=phases)
    )
