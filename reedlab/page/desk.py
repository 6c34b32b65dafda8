"""The bench page without a browser: messages in, state out.

Keeps the reed in hand until its test is on disk. Every message is answered by a state and
one sentence; a mistake leaves everything as it was. Nothing is called saved that was not
read back from disk.
"""

import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from shutil import rmtree
from typing import Any, NamedTuple
from weakref import finalize

from reedlab.errors import CallError, ReedlabError, unknown_name
from reedlab.page.attempt import Attempt
from reedlab.page.beginning import begin_session
from reedlab.page.boxes import filled, rated, recorded_steps, scales
from reedlab.page.incoming import Incoming, keep_beside
from reedlab.page.saving import save_attempt
from reedlab.page.session_order import (
    Occasion,
    Turn,
    first_trial,
    may_start,
    next_turn,
    occasions,
    read_turn,
    turns,
    usual_stage,
)
from reedlab.page.showing import shown
from reedlab.page.takes import Take, take_of
from reedlab.page.undoing import undo_last, written_last
from reedlab.study import Study, open_study

LONGEST_NOTE = 1000


class _Saved(NamedTuple):
    """The last save: what was saved, its recordings, and its number in the journal."""

    attempt: Attempt
    written: tuple[Path, ...]
    entry: int


class Desk:
    """One visit to the bench page.

    Parameters
    ----------
    study : Study
        Read anew from its folder.
    batch_id : str
    session : int, optional
        Left out, the first session in which a reed is not tested yet.
    """

    def __init__(self, study: Study, batch_id: str, session: int | None = None) -> None:
        self.study = open_study(study.folder)
        self.plan = self.study.plan(batch_id)
        self.stage = usual_stage(self.study, self.plan)
        self.attempt: Attempt | None = None
        self.passed: set[str] = set()
        self.numbers_wait = False
        self.message = ("", "")
        self._last: _Saved | None = None
        self._incoming = Incoming()
        self._folder = Path(tempfile.mkdtemp(prefix="reedlab-page-"))
        finalize(self, rmtree, self._folder, ignore_errors=True)
        self._number = 0
        self._answers = {
            "code": self._code,
            "pass": self._pass,
            "put_away": self._put_away,
            "session": self._session,
            "start_session": self._start_session,
            "stage": self._stage,
            "sound": self._sound,
            "accept": self._accept,
            "repeat": self._repeat,
            "rate": self._rate,
            "fill": self._fill,
            "note": self._note,
            "wait": self._wait,
            "save": self._save,
            "undo": self._undo,
        }
        self.may_start = may_start(self.study, self.plan)
        numbers = [one.number for one in occasions(self.study, self.plan)]
        if session is not None and session not in numbers:
            raise unknown_name("session", session, numbers)
        self._session_number = self._first_open() if session is None else session
        self._look()

    def handle(self, message: Mapping[str, Any], buffers: Sequence[Any] = ()) -> None:
        """Answer one message of the page; the outcome stands in the state.

        Parameters
        ----------
        message : mapping
            ``do`` says what; see the method of that name.
        buffers : sequence of bytes
            Sound, if there is any.
        """
        self.message = ("", "")
        name = str(message.get("do"))
        try:
            if name not in self._answers:
                raise unknown_name("message", name, self._answers)
            self._answers[name](message, buffers)
        except ReedlabError as error:
            self.message = ("bad", str(error))

    def state(self) -> dict[str, Any]:
        """Return all that the page shows."""
        return shown(self)

    @property
    def occasion(self) -> Occasion:
        """The session that is being played."""
        return next(one for one in self.occasions if one.number == self._session_number)

    @property
    def coming(self) -> Turn | None:
        """Whose turn it is; none if all are tested or passed over."""
        return next_turn([turn for turn in self.order if turn.code not in self.passed])

    @property
    def can_undo(self) -> bool:
        """Whether the last save of this visit can be taken back."""
        return self._last is not None

    @property
    def numbers_hidden(self) -> bool:
        """Whether numbers wait for the rating."""
        asked = {scale.name for scale in scales(self.study)}
        rated_all = self.attempt is not None and asked <= set(self.attempt.ratings)
        return self.numbers_wait and bool(asked) and not rated_all

    def _look(self) -> None:
        """Read the order again, against what is on disk."""
        self.occasions = occasions(self.study, self.plan)
        self.order = turns(self.study, self.plan, self.occasion, self.stage)

    def _first_open(self) -> int:
        all_of_them = occasions(self.study, self.plan)
        for one in all_of_them:
            if next_turn(turns(self.study, self.plan, one, self.stage)):
                return one.number
        return all_of_them[-1].number

    def _in_hand(self) -> Attempt:
        if self.attempt is None:
            raise CallError("No reed is in hand; type or scan its code first.")
        return self.attempt

    def _nothing_unsaved(self) -> None:
        if self.attempt and (not self.attempt.is_empty or self.attempt.pending):
            raise CallError(
                f"{self.attempt.code} is not saved yet; save it, or put it away without saving."
            )

    def _code(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        self._nothing_unsaved()
        # Another window, or a sheet, may have added to it meanwhile.
        self.study = open_study(self.study.folder)
        self._look()
        if not self.occasion.recorded:
            raise CallError(
                f"Session {self.occasion.session_id} is not written down yet; "
                + ("begin it first." if self.may_start else "record the sessions sheet first.")
            )
        turn = read_turn(str(message.get("text", "")), self.order, self.study, self.plan)
        self.attempt = Attempt(turn.code, turn.place, first_trial(turn, self.occasion))

    def _pass(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        """Go on without a reed that is lost or not at hand; it may still be taken later."""
        code = str(message.get("code"))
        if self.coming is None or code != self.coming.code:
            raise CallError("Only the reed that is asked for next can be passed over.")
        self.passed.add(code)
        self.message = ("", f"{code} is passed over; nothing is recorded of it.")

    def _put_away(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        attempt = self._in_hand()
        if message.get("sure") is not True:
            self._nothing_unsaved()
        self.attempt = None
        self.message = ("", f"{attempt.code} is put away; nothing of it was saved.")

    def _session(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        self._nothing_unsaved()
        number = message.get("number")
        known = [one.number for one in self.occasions]
        if number not in known:
            raise unknown_name("session", number, known)
        self.attempt, self._session_number = None, int(str(number))
        self.passed.clear()
        self._look()

    def _start_session(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        self.study = begin_session(self.study, self.plan, self.occasion, message)
        self._look()
        self.message = ("good", f"Session {self.occasion.session_id} is begun.")

    def _stage(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        self._nothing_unsaved()
        name = " ".join(str(message.get("name", "")).split())
        if not name:
            raise CallError("A test needs a stage: the point in the reed's life, e.g. day 1.")
        self.attempt, self.stage = None, name
        self._look()

    def _sound(self, message: Mapping[str, Any], buffers: Sequence[Any]) -> None:
        attempt = self._in_hand()
        kind = str(message.get("kind"))
        kinds = [step.kind for step in recorded_steps(self.study)]
        if kind not in kinds:
            raise unknown_name("kind of recording", kind, kinds)
        content = self._incoming.add(message, buffers)
        if content is None:
            return
        self._number += 1
        path = keep_beside(self._folder, self._number, message.get("name"), content)
        told = message.get("processing")
        attempt.pending = take_of(
            self.study, self.occasion.session_id, self._number, kind, path, told
        )
        if attempt.pending.heard and not self.numbers_hidden:
            attempt.seen = True

    def _pending(self, message: Mapping[str, Any]) -> Take:
        take = self._in_hand().pending
        if take is None or take.number != message.get("take"):
            raise CallError("There is no such recording to accept or repeat.")
        return take

    def _accept(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        attempt, take = self._in_hand(), self._pending(message)
        if take.heard is None:
            raise CallError("Nothing could be measured in this recording; repeat it.")
        attempt.taken[take.kind] = take
        attempt.pending = None

    def _repeat(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        attempt, take = self._in_hand(), self._pending(message)
        take.path.unlink(missing_ok=True)
        attempt.pending = None

    def _rate(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        attempt, name = self._in_hand(), str(message.get("scale"))
        level = message.get("level")
        if level is None:
            attempt.ratings.pop(name, None)
            return
        attempt.ratings[name] = rated(self.study, name, level)
        attempt.seen_first = attempt.seen_first or attempt.seen
        shows = attempt.taken or (attempt.pending and attempt.pending.heard)
        attempt.seen = attempt.seen or (bool(shows) and not self.numbers_hidden)

    def _fill(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        attempt, name = self._in_hand(), str(message.get("box"))
        text = filled(self.study, name, message.get("text", ""))
        attempt.typed.pop(name, None)
        if text:
            attempt.typed[name] = text

    def _note(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        self._in_hand().note = str(message.get("text", ""))[:LONGEST_NOTE]

    def _wait(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        self.numbers_wait = message.get("numbers") is True
        if self.attempt and not self.numbers_hidden:
            self.attempt.seen = self.attempt.seen or bool(
                self.attempt.taken or self.attempt.pending
            )

    def _save(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        attempt = self._in_hand()
        if attempt.pending:
            raise CallError("Accept the last recording, or repeat it, before you save.")
        if attempt.is_empty:
            raise CallError(f"There is nothing to save of {attempt.code} yet.")
        self.study, written = save_attempt(
            self.study, self.plan, self.occasion, self.stage, attempt
        )
        self._last = _Saved(attempt, written, written_last(self.study))
        self.attempt = None
        self._look()
        self.message = ("good", f"{attempt.code}, try {attempt.trial}, is on disk.")

    def _undo(self, message: Mapping[str, Any], _: Sequence[Any]) -> None:
        self._nothing_unsaved()
        if self._last is None:
            raise CallError("Nothing was saved in this visit that could be taken back.")
        saved = self._last
        self.study = undo_last(self.study, saved.entry, saved.written)
        self._last, self.attempt = None, saved.attempt
        self._look()
        self.message = ("good", f"{saved.attempt.code} is taken back: in hand again, not saved.")
