"""When each data record was recorded: time stamps, gaps, annotations.

In EDF+ the first list of the first annotation signal of each record says when the record starts
(time-keeping, specification section 2.2.4). Sums of header durations drift where the header had
to round them, so that a stamp is compared with the stamp before it.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field

from cleanspan.recording.tal import parse_tals, time_stamp
from cleanspan.types import Note, Piece

GAP_TOLERANCE_S = 0.0015
"""Stamps are often rounded to milliseconds; two such roundings are no gap."""
JITTER_TOLERANCE_S = 0.02
"""In a file that says it has no gaps, a stamp off by less is a jittery clock, not a gap."""


@dataclass(slots=True)
class Clock:
    """Follow the records of a file in order.

    Parameters
    ----------
    record_s : float
        Duration of a record as the header has it.
    sample_s : float
        Sampling interval of the fastest signal: a shorter gap cannot be one.
    may_have_gaps : bool
        Whether the header announces gaps (EDF+D).

    Attributes
    ----------
    first_stamp_s : float
        Onset of the first record, seconds from the header's start time.
    """

    record_s: float
    sample_s: float
    may_have_gaps: bool
    first_stamp_s: float = 0.0
    _begins: list[tuple[int, float, float]] = field(default_factory=list)
    _notes: list[Note] = field(default_factory=list)
    _last_stamp_s: float = 0.0
    _lead_s: float = 0.0
    _damaged: int = 0
    _unstamped: int = 0
    _jumps: int = 0
    _backwards: int = 0
    _records: int = 0

    def follow(self, annotations: Iterable[bytes]) -> None:
        """Take in the annotation signals of the next record."""
        stamp_s: float | None = None
        for i, raw in enumerate(annotations):
            quick = time_stamp(raw) if i == 0 else None
            if quick is not None:
                stamp_s = quick
                continue
            if not raw.strip(b"\0"):
                continue
            tals, damaged = parse_tals(raw)
            self._damaged += damaged
            for j, tal in enumerate(tals):
                if i == 0 and j == 0 and tal.texts[0] == "":
                    stamp_s = tal.onset_s
                self._notes += [
                    Note(tal.onset_s, tal.duration_s, text) for text in tal.texts if text
                ]
        self._step(stamp_s)

    def _step(self, stamp_s: float | None) -> None:
        """Place the record on the time line; begin a new piece where time jumps."""
        expected_s = self._last_stamp_s + self.record_s
        if stamp_s is None:
            self._unstamped += 1
            stamp_s = expected_s if self._records else 0.0
        if not self._records:
            self.first_stamp_s = stamp_s
            self._begins.append((0, 0.0, stamp_s))
        else:
            noise_s = GAP_TOLERANCE_S if self.may_have_gaps else JITTER_TOLERANCE_S
            jump_s = stamp_s - expected_s
            if abs(jump_s) > max(noise_s, self.sample_s):
                self._jump(stamp_s, jump_s)
        self._last_stamp_s = stamp_s
        self._records += 1

    def _jump(self, stamp_s: float, jump_s: float) -> None:
        first, onset_s, _ = self._begins[-1]
        end_s = onset_s + (self._records - first) * self.record_s
        if jump_s < 0:
            self._backwards += 1
            self._lead_s = end_s - (stamp_s - self.first_stamp_s)
            begin_s = end_s
        else:
            self._jumps += 1
            begin_s = max(stamp_s - self.first_stamp_s + self._lead_s, end_s)
        self._begins.append((self._records, begin_s, stamp_s))

    @property
    def first_records(self) -> tuple[int, ...]:
        """Index of the record that each piece starts with."""
        return tuple(first for first, _, _ in self._begins)

    @property
    def stamps_s(self) -> tuple[float, ...]:
        """Time stamp of each piece's first record, seconds from the header's start."""
        return tuple(stamp_s for _, _, stamp_s in self._begins)

    @property
    def all_stamped(self) -> bool:
        """Whether every record says when it starts, as EDF+ demands."""
        return not self._unstamped

    @property
    def pieces(self) -> tuple[Piece, ...]:
        """Stretches without a gap, in seconds from the first sample."""
        ends = [*self.first_records[1:], self._records]
        return tuple(
            Piece(onset_s, (end - first) * self.record_s)
            for (first, onset_s, _), end in zip(self._begins, ends, strict=True)
        )

    @property
    def notes(self) -> tuple[Note, ...]:
        """Annotations in order of onset, in seconds from the first sample."""
        notes = (
            Note(round(note.onset_s - self.first_stamp_s, 9), note.duration_s, note.text)
            for note in self._notes
        )
        return tuple(sorted(notes, key=lambda note: note.onset_s))

    @property
    def warnings(self) -> tuple[str, ...]:
        """What was odd about the records' times and annotations."""
        texts = []
        if self._damaged:
            texts.append(f"annotations: {self._damaged} could not be read and were left out")
        if self._unstamped:
            texts.append(
                f"record times: {self._unstamped} of {self._records} records have no time stamp; "
                "taken to follow on the one before"
            )
        if self._jumps and not self.may_have_gaps:
            texts.append(
                f"record times: they jump {self._jumps} times although the header says that the "
                "recording has no gaps; treated as gaps"
            )
        if self._backwards:
            texts.append(
                f"record times: they step back {self._backwards} times; the records were kept in "
                "stored order, and times after a step are not those of the clock"
            )
        return tuple(texts)
