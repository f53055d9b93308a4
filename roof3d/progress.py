"""Progress of long work on standard error: a line that is renewed on a terminal, plain lines elsewhere."""

from __future__ import annotations

import sys
import threading
import time
from types import TracebackType

AFTER = 2.0  # s of silence before anything is said


class Progress:
    """Says what is being done once it has taken longer than ``AFTER`` seconds.

    ``step(text, done, steps)`` is what long work calls. The clock only decides whether a line is shown;
    no result depends on it.
    """

    def __init__(self, text: str, quiet: bool = False) -> None:
        self._text = text
        self._quiet = quiet
        self._shown = ""
        self._ended = threading.Event()
        self._terminal = sys.stderr.isatty()

    def __enter__(self) -> Progress:
        if not self._quiet:
            self._start = time.monotonic()
            self._watch = threading.Thread(target=self._run, daemon=True)
            self._watch.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._ended.set()
        if not self._quiet:
            self._watch.join()
            if self._shown and self._terminal:
                sys.stderr.write("\r\x1b[K")
                sys.stderr.flush()

    def step(self, text: str, done: int = 0, steps: int = 0) -> None:
        """Tell what is being done now, and which of how many steps it is."""
        self._text = f"{text} ({min(done + 1, steps)} of {steps})" if steps > 0 else text

    def _run(self) -> None:
        while not self._ended.wait(0.25):
            waited = time.monotonic() - self._start
            if waited < AFTER:
                continue
            if self._terminal:
                sys.stderr.write(f"\r\x1b[K{self._text} ... {waited:.0f} s")
                self._shown = self._text
                sys.stderr.flush()
            elif self._shown != self._text:
                sys.stderr.write(f"{self._text} ...\n")
                self._shown = self._text
                sys.stderr.flush()
