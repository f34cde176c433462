"""Watch over the recorder: a gap in the recording must be reported at once."""

from __future__ import annotations

RECORDER_SILENT_S = 0.8  # it polls 20 times a second; a busy computer may pause it


class RecorderWatch:
    """Watch on a recorder that was connected and may fall silent.

    Attributes:
        lost: it has fallen silent, and none has come back.
    """

    def __init__(self) -> None:
        self.lost = False

    def changed(self, silent_s: float | None) -> dict[str, str] | None:
        """Return the event to publish when the recorder falls silent or is back, else None.

        Args:
            silent_s: time since its last message; None if none has ever connected.
        """
        if silent_s is None or (silent_s > RECORDER_SILENT_S) == self.lost:
            return None
        self.lost = not self.lost
        if self.lost:
            text = "THE RECORDER IS GONE: nothing is recorded until another one has started"
            return {"kind": "recorder_lost", "text": text}
        return {"kind": "recorder_back", "text": "a recorder is there again"}
