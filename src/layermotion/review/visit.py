"""Owns a visit under review: its clips, who works on it, and the record of every change."""

import threading
from collections.abc import Callable, Mapping, Sequence
from datetime import date
from pathlib import Path
from typing import Any

from layermotion import __version__
from layermotion.clip.pair import open_recording
from layermotion.errors import InputError, LayermotionError, failure_of
from layermotion.labels import Structure
from layermotion.network.segmenter import Segmenter
from layermotion.record.entries import AMENDMENT, Patient, Visit
from layermotion.record.store import Record
from layermotion.review.amending import payload_of
from layermotion.review.corrections import Confirm, Correction, correction_from
from layermotion.review.desk import Desk, Source
from layermotion.review.handing import Laboratory
from layermotion.review.place import (
    REFUSED,
    Place,
    Stage,
    difference,
    free_number,
    in_order,
    no_means,
    renewed_outlines,
    signed_values,
    values_by_key,
    why_not_sign,
)
from layermotion.review.sources import Listed
from layermotion.review.steps import (
    CORRECTED,
    HANDED_OVER,
    OF_ANOTHER_VISIT,
    SEEN,
    SIDE_CHOSEN,
    SIGNED_OTHERWISE,
    UNDONE,
    Step,
    amendments_in,
    as_signed,
    repeat,
    steps_of,
    take_side,
)
from layermotion.session.identity import Relation, from_record
from layermotion.session.plan import Side

NOT_WRITTEN = (
    "The final results cannot be written ({cause}); free some space, see to the rights of the "
    "folder, or start again with another folder by --out."
)


class Review:
    """A visit under review.

    Parameters
    ----------
    listed
        Its clips, in the order in which they were listed.
    segmenter
        What they are measured with.
    record
        Where all that a person does is kept.
    finish
        Writes what is not there yet of the final results of a signed visit, and gives the path of
        their first page.
    identity
        Keyed hashes of whom the files are of, with which secret; None where they do not say.
    """

    def __init__(
        self,
        listed: Sequence[Listed],
        segmenter: Segmenter,
        record: Record,
        day: date,
        finish: Callable[["Review"], Path],
        identity: Mapping[str, object] | None = None,
    ) -> None:
        self.places = tuple(Place(number, one) for number, one in enumerate(listed))
        self.record, self.day, self.who = record, day, ""
        self.visit: Visit | None = None
        self.code = ""
        self.finished, self.not_written, self.is_writing = "", "", False
        self._segmenter, self._finish, self._identity = segmenter, finish, identity or {}
        # Whether the files state another person than those of earlier visits under the code typed.
        self.is_other_person = False
        self._lock = threading.RLock()
        self._is_opened = False
        # What was done for an amendment that is not added yet; None where none was begun.
        self._steps: list[Step] | None = None

    # Measuring

    def measure_all(self) -> None:
        """Open every clip, take up a visit that the record holds of them, and measure them.

        What is final of a signed visit is written if a killed program did not write it.
        """
        for place in self.places:
            self._open(place)
        with self._lock:
            self._take_up()
            self._is_opened = True
        for place in self.places:
            if place.stage is Stage.WAITING:
                self._measure(place)
        if self.visit is not None and self.visit.is_signed:
            self.write()

    def _open(self, place: Place) -> None:
        """Read the hash of a clip, and refuse one that stands in the list twice."""
        place.problem = place.listed.problem
        if not place.problem:
            try:
                clip = open_recording(
                    place.listed.sources, place.listed.shows, place.listed.options
                )
            except Exception as error:  # what nobody foresaw fails one clip, not the others
                place.problem = str(failure_of(place.listed.path.name, error))
            else:
                if any(other.clip_id == clip.clip_id for other in self.places):
                    place.problem = "This clip holds the same pictures as another one of the visit."
                else:
                    place.clip_id = clip.clip_id
        if place.problem:
            place.stage = Stage.FAILED

    def _measure(self, place: Place) -> None:
        place.stage = Stage.MEASURING
        listed = place.listed
        try:
            source = Source(listed.sources, listed.options, listed.site, listed.shows)
            desk = Desk.open(source, self._segmenter)
        except Exception as error:  # as above
            place.problem, place.stage = str(failure_of(listed.path.name, error)), Stage.FAILED
            return
        with self._lock, place.lock:
            place.desk = desk
            if self.visit is not None:
                self._repeat_events(place)
                self._add_to_record(place)
            place.stage = Stage.READY

    # Taking up what the record holds

    def _take_up(self) -> None:
        """Find the last visit that holds one of these clips."""
        held = [
            visit
            for place in self.places
            if place.clip_id
            for visit in self.record.visits_with(place.clip_id)
        ]
        if held:
            visit = max(reversed(held), key=lambda visit: visit.day)
            codes = {patient.patient_id: patient.code for patient in self.record.patients()}
            self.visit, self.code, self.day = visit, codes[visit.patient_id], visit.day
            self.record.follow(visit.visit_id)
            self._leave_out_others(visit)
            if visit.is_signed:
                self._list_as_signed(visit)

    def _leave_out_others(self, visit: Visit) -> None:
        """Leave out clips of other visits, and all that a signed one does not hold."""
        own = {clip.clip_id for clip in self.record.clips(visit.visit_id)}
        for place in self.places:
            if place.clip_id in own or not place.clip_id:
                continue
            if visit.is_signed or self.record.visits_with(place.clip_id):
                place.problem = OF_ANOTHER_VISIT.format(day=visit.day)
                place.stage, place.clip_id = Stage.FAILED, ""

    def _list_as_signed(self, visit: Visit) -> None:
        """Take each clip for what it was signed as, whatever its name or the table says by now."""
        facts = {clip.clip_id: clip.facts for clip in self.record.clips(visit.visit_id)}
        for place in self.places:
            stated = place.stated
            place.listed = as_signed(stated, facts.get(place.clip_id, {}))
            now = (place.listed.side, place.listed.task, place.listed.repeat)
            if stated.is_side_known and now != (stated.side, stated.task, stated.repeat):
                place.problem = SIGNED_OTHERWISE

    def _repeat_events(self, place: Place) -> None:
        """Do again what the record says was done with a clip."""
        if self.visit is None or place.desk is None:
            return
        events = self.record.events(self.visit.visit_id)
        for step in (step for event in events for step in steps_of(event)):
            if step.clip_id == place.clip_id:
                try:
                    repeat(place, step)
                except LayermotionError as error:
                    place.problem = f"An earlier correction could not be made again: {error}"

    # What a person does

    def begin(self, code: str, who: str, day: date, *, is_checked: bool = False) -> None:
        """Say who reviews the visit of whom; every change is kept from now on.

        Parameters
        ----------
        is_checked
            Whether somebody checked that the clips are of this person, whatever the files say.

        Raises
        ------
        LayermotionError
            If the record refuses, the clips are not opened yet, they state another person, or their
            visit was begun under another code or day.
        """
        with self._lock:
            if not self._is_opened:
                raise InputError("The clips are still being opened; try again in a moment.")
            if not who.strip():
                raise InputError("The record needs to know who reviews; type a name or initials.")
            if self.visit is None:
                if any(self.record.visits_with(place.clip_id) for place in self.places):
                    raise InputError(
                        "A visit with these clips was begun on another page since; open them again "
                        "to go on with it."
                    )
                known = {patient.code.casefold(): patient for patient in self.record.patients()}
                patient = known.get(code.strip().casefold()) or self.record.add_patient(code, who)
                other = self._other_person(patient)
                self.is_other_person = other is not None
                if other is not None and not is_checked:
                    raise InputError(
                        f"The clips state another person than those of {other.day} under this "
                        f"code; check the code, or say below that it is the same person."
                    )
                identity = {**self._identity, "is_checked": True} if other else self._identity
                self.visit = self.record.begin_visit(patient.patient_id, day, who, identity)
                self.record.follow(self.visit.visit_id)
                self.code, self.day = patient.code, day
                for place in self.places:
                    self._add_to_record(place)
            elif (code.strip().casefold(), day) != (self.code.casefold(), self.day):
                raise InputError(
                    f"These clips are of the visit of {self.day} of {self.code} already; if that "
                    f"was wrong, withdraw the visit under Sign, and begin it again."
                )
            self.who = who.strip()

    def _other_person(self, patient: Patient) -> Visit | None:
        """Give a visit of a patient whose files state another person than those of this one."""
        for visit in self.record.visits(patient.patient_id):
            known = self.record.events(visit.visit_id)[0].payload.get("identity", {})
            if known.get("secret") != self._identity.get("secret", ""):
                continue
            if from_record(known).relation_to(from_record(self._identity)) is Relation.OTHER:
                return visit
        return None

    def _add_to_record(self, place: Place) -> None:
        if self.visit is None or self.visit.is_signed or not place.clip_id:
            return
        self.record.add_clip(self.visit.visit_id, place.clip_id, self._facts(place), self.who)

    def _facts(self, place: Place) -> dict[str, str]:
        """Tell the record how a clip was measured."""
        listed = place.listed
        facts = {
            "side": str(listed.side),
            "task": listed.task or "unstated",
            "recording": str(listed.repeat),
            "site": listed.site,
            "place": place.site,
            "software": f"layermotion {__version__}",
            "weights": self._segmenter.name,
        }
        if place.desk is not None:
            found = place.desk.analysis
            if found.series.get("slide", Structure.TRA) is not None:
                facts["lateral"] = "known" if found.is_lateral_known else "unknown"
        return facts

    def correct(
        self, place: Place, correction: Correction, why: str, known: int | None = None
    ) -> dict[str, Any]:
        """Settle one more thing about a clip, and keep it; say which outlines moved.

        Parameters
        ----------
        known
            Revision of the clip that whoever asks has seen; None where that does not matter.

        Raises
        ------
        LayermotionError
            If it does not fit the clip, the clip is another one by now, or the visit is not open
            for changes.
        """
        with self._lock, place.lock:
            desk = self._changing(place, known)
            if isinstance(correction, Confirm) and len(correction.keys) > 1 and not place.is_seen:
                raise InputError("Look at the whole clip first; then its values can be confirmed.")
            edges, before = desk.analysis.footage.edges, values_by_key(desk)
            desk.apply(correction)
            was, now = difference(before, values_by_key(desk))
            if isinstance(correction, Confirm):
                now = {key: values_by_key(desk)[key] for key in correction.keys}
            payload = {"correction": correction.to_json(), "from": was, "to": now}
            try:
                self._append(place, CORRECTED, payload, why)
            except LayermotionError:
                desk.undo()
                raise
            place.revision += 1
            return {"outlines": renewed_outlines(desk, edges)}

    def undo(self, place: Place, known: int | None = None) -> dict[str, Any]:
        """Take back the last thing that was settled about a clip; see ``correct``."""
        with self._lock, place.lock:
            desk = self._changing(place, known)
            edges, before = desk.analysis.footage.edges, values_by_key(desk)
            last = desk.undo()
            was, now = difference(before, values_by_key(desk))
            try:
                payload = {"undone": last.kind, "from": was, "to": now}
                self._append(place, UNDONE, {**payload, "correction": last.to_json()}, "")
            except LayermotionError:
                desk.apply(last)
                raise
            place.revision += 1
            return {"outlines": renewed_outlines(desk, edges)}

    def choose_side(self, place: Place, side: Side) -> None:
        """Say the side of a clip of which nothing states one; it is the next recording there.

        Raises
        ------
        InputError
            If its side is stated, or the visit is not open for changes.
        """
        with self._lock, place.lock:
            if self._open_visit().is_signed:
                raise InputError("The visit is signed with this side; it stays as it is.")
            if not place.can_choose_side:
                raise InputError("The side of this clip is stated by its name or the table.")
            number = free_number(self.places, place, side)
            self._append(place, SIDE_CHOSEN, {"side": str(side), "repeat": number}, "")
            take_side(place, side, number)
            self._add_to_record(place)

    def see(self, place: Place) -> None:
        """Keep that all windows of a clip were on the screen."""
        with self._lock, place.lock:
            self._changing(place)
            if not place.is_seen:
                self._append(place, SEEN, {}, "")
                place.is_seen = True

    def hand_over(self, place: Place, frame: int, laboratory: Laboratory) -> str:
        """Hand a corrected frame to the laboratory, and keep that; give the key of its label."""
        with self._lock, place.lock:
            self._changing(place)
            key = laboratory.hand_over(place, frame, self.who)
            self._append(place, HANDED_OVER, {"frame": frame, "label": key}, "")
            return key

    def sign(self, who: str) -> None:
        """Sign the visit as a whole; then nothing of it changes any more.

        Raises
        ------
        LayermotionError
            If something is not confirmed yet, or the record refuses.
        """
        with self._lock:
            visit = self._open_visit()
            if visit.is_signed:
                raise InputError("The visit is signed already; add an amendment.")
            reason = why_not_sign(self.places)
            if reason["key"]:
                raise InputError(REFUSED[reason["key"]].format(**reason))
            for place in self.places:
                # Where its site is, and which way is lateral, may have changed since it was added.
                self._add_to_record(place)
            self.visit = self.record.sign(visit.visit_id, signed_values(self.places), who)
            self.who = who.strip()
        self.write()

    def begin_amendment(self, who: str) -> None:
        """Let the clips of a signed visit be changed, for an amendment that is then added.

        Raises
        ------
        InputError
            If the visit is not signed, its final report is being written, or who is missing.
        """
        with self._lock:
            if self.visit is None or not self.visit.is_signed:
                raise InputError("The visit is not signed yet; its clips can be changed anyway.")
            if not who.strip():
                raise InputError("The record needs to know who amends; type a name or initials.")
            self._refuse_while_writing()
            self.who, self._steps = who.strip(), self._steps or []

    def drop_amendment(self) -> None:
        """Leave the signed visit as it was: what was done for the amendment is taken back."""
        with self._lock:
            for step in reversed(self._steps or []):
                place = next(one for one in self.places if one.clip_id == step.clip_id)
                with place.lock:
                    if step.kind == CORRECTED:
                        place.opened.undo()
                    elif step.kind == UNDONE:
                        place.opened.apply(correction_from(step.payload["correction"]))
            self._steps = None

    def amend(self, text: str, who: str) -> None:
        """Add a sentence to a signed visit, and the values that were changed for it.

        The final results are then written again, beside those that were.

        Raises
        ------
        LayermotionError
            If it is not signed, its final report is being written, who or the sentence is missing,
            or a value is not confirmed.
        """
        with self._lock:
            if self.visit is None:
                raise InputError("No visit was begun; type the patient's code and your name first.")
            self._refuse_while_writing()
            visit_id, steps = self.visit.visit_id, self._steps or []
            reason = why_not_sign(self.places)
            if steps and reason["key"]:
                raise InputError(REFUSED[reason["key"]].format(**reason))
            held = {clip.clip_id: clip.facts for clip in self.record.clips(visit_id)}
            now = {p.clip_id: self._facts(p) for p in self.places if p.clip_id in held}
            payload = payload_of(
                text, steps, self.record.values(visit_id), signed_values(self.places),
                {clip_id: facts for clip_id, facts in now.items() if facts != held[clip_id]},
            )  # fmt: skip
            self.record.append(visit_id, None, AMENDMENT, payload, who, text)
            self.who, self._steps = who.strip(), None
        self.write()

    def withdraw(self, text: str, who: str) -> None:
        """Take back a visit that was entered by mistake, so that its clips can be reviewed anew.

        Raises
        ------
        LayermotionError
            If none was begun, its final report is being written, or who or the reason is missing.
        """
        with self._lock:
            if self.visit is None:
                raise InputError("No visit was begun, so there is none to withdraw.")
            self._refuse_while_writing()
            self.record.withdraw(self.visit.visit_id, who, text)
            self.visit, self.code, self.who, self._steps = None, "", "", None
            self.finished = self.not_written = ""
            self.is_other_person = False
            others = [place for place in self.places if place.start_anew()]
        for place in others:
            threading.Thread(target=self._measure, args=(place,), daemon=True).start()

    def _refuse_while_writing(self) -> None:
        """Refuse what would change the values that are being written as final."""
        if self.is_writing:
            raise InputError("The final report is still being written; wait a moment.")

    def write(self) -> None:
        """Write the final results in the background; the state says where, or why not."""
        self.finished, self.not_written, self.is_writing = "", "", True
        threading.Thread(target=self._write, name="writing").start()

    def _write(self) -> None:
        try:
            self.finished = str(self._finish(self))
        except OSError as error:
            self.not_written = NOT_WRITTEN.format(cause=error.strerror or error)
        except Exception as error:  # what nobody foresaw is said as well
            self.not_written = str(failure_of("visit.html", error))
        finally:
            self.is_writing = False

    def state(self) -> dict[str, Any]:
        """All that the page shows of the visit as a whole."""
        with self._lock:
            visit = self.visit
            return {
                "is_opened": self._is_opened,
                "is_other_person": self.is_other_person,
                "patient": self.code,
                "who": self.who,
                "day": self.day.isoformat(),
                "today": date.today().isoformat(),
                "patients": [patient.code for patient in self.record.patients()],
                "is_begun": visit is not None and bool(self.who or visit.is_signed),
                "is_known": visit is not None,
                "is_signed": visit is not None and visit.is_signed,
                "is_amending": self._steps is not None,
                "signed_by": visit.signed_by if visit else "",
                "signed_at": visit.signed_at if visit else "",
                "why_not_sign": why_not_sign(self.places),
                "no_means": no_means(self.places),
                "amendments": amendments_in(self.record, visit),
                "finished": self.finished,
                "not_written": self.not_written,
                "is_writing": self.is_writing,
                "clips": [place.summary() for place in in_order(self.places)],
            }

    def _changing(self, place: Place, known: int | None = None) -> Desk:
        """Desk of a clip that may be changed now, by somebody who knows how it stands."""
        self._open_visit()
        if known not in (None, place.revision):
            raise InputError(
                "This clip was changed on another page since; open it again to see how it stands."
            )
        return place.opened

    def _open_visit(self) -> Visit:
        if self.visit is None or not (self.who or self.visit.is_signed):
            raise InputError("No visit was begun; type the patient's code and your name first.")
        if self.visit.is_signed and self._steps is None:
            raise InputError(
                f"The visit was signed by {self.visit.signed_by}, so it is read-only; add an "
                f"amendment."
            )
        return self.visit

    def _append(self, place: Place, kind: str, payload: dict[str, Any], why: str) -> None:
        assert self.visit is not None
        if self._steps is not None:
            self._steps.append(Step(place.clip_id, kind, payload, why))
            return
        self.record.append(self.visit.visit_id, place.clip_id, kind, payload, self.who, why)
