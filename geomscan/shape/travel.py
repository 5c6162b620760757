"""The belt's travel line by line: runs of lines that advance, and what happened on the way."""

from collections.abc import Iterator

from geomscan.shape.geometry import BeltLines

__all__ = ["LONGEST_GAP_MM", "Travel"]

LONGEST_GAP_MM = 10.0  #: lines further apart than this aren't joined
_STILL_MM = 1e-6
_KEPT_MM = 5000.0  # events further back than this concern no piece to come


class Travel:
    """How far the belt has come, and the events that lines tell of.

    Parameters
    ----------
    longest_run_mm
        Runs of lines are cut at this length.
    """

    def __init__(self, longest_run_mm: float) -> None:
        self._longest_run_mm = longest_run_mm
        self.begun = False
        self.first_mm = 0.0  #: travel of the first line
        self.last_mm = 0.0  #: travel of the farthest line so far
        self.before_last_mm = 0.0  #: and of the one before it
        self.pitch_mm = 0.0  #: usual distance of lines
        self._events: list[tuple[str, float]] = []  # flag, travel

    def runs(self, belt: BeltLines) -> Iterator[tuple[int, int, bool]]:
        """Give runs of lines that advance: first, stop, and whether apart from the line before.

        A line that doesn't advance beyond the farthest one so far sees belt that was seen before
        and is left out.
        """
        first = None
        for i, e in enumerate(belt.e_mm.tolist()):
            if belt.n_missing_before is not None and belt.n_missing_before[i] > 0:
                self._note("lines_missing", e)
            if not self.begun:
                self.begun = True
                self.first_mm = self.before_last_mm = self.last_mm = e
                first, apart, e_first = i, False, e
                continue
            advance = e - self.last_mm
            if advance <= _STILL_MM:
                self._note("belt_stopped" if advance > -_STILL_MM else "belt_reversed", e)
                if first is not None:
                    yield first, i, apart
                    first = None
                continue
            far = advance > LONGEST_GAP_MM
            if far:
                self._note("lines_missing", e)
            else:
                self.pitch_mm += 0.02 * (advance - self.pitch_mm) if self.pitch_mm else advance
            if first is not None and (far or e - e_first > self._longest_run_mm):
                yield first, i, apart
                first = None
            if first is None:
                first, apart, e_first = i, far, e
            self.before_last_mm, self.last_mm = self.last_mm, e
        if first is not None:
            yield first, len(belt.e_mm), apart

    def _note(self, what: str, e: float) -> None:
        """Remember an event and where it happened; runs of one kind count once a millimetre."""
        if not self._events or self._events[-1][0] != what or abs(self._events[-1][1] - e) > 1.0:
            self._events.append((what, e))

    def events_between(self, low_mm: float, high_mm: float) -> set[str]:
        """Names of what happened on a stretch; what lies far before it is forgotten."""
        self._events = [event for event in self._events if event[1] > low_mm - _KEPT_MM]
        return {name for name, e in self._events if low_mm <= e <= high_mm}
