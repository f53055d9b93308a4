"""The one error that people see for bad input: file, place, what was found, what is accepted."""

from __future__ import annotations


class Roof3dError(Exception):
    """Root of all errors raised on purpose by this package."""


class InputError(Roof3dError):
    """Input that cannot be used.

    Parameters are the four parts of the line that is shown: where it was read (``file``), the
    ``place`` in it (a key, a line, a node), what was ``found`` there and what is ``accepted``.
    """

    def __init__(self, file: str, place: str, found: str, accepted: str) -> None:
        self.file = file
        self.place = place
        self.found = found
        self.accepted = accepted
        head = ": ".join(part for part in (file, place) if part)
        text = f"{head}: found {found}; accepted: {accepted}"
        super().__init__(" ".join(text.split()))

    def within(self, file: str) -> InputError:
        """The same error, read in ``file`` where it does not name its own."""
        return self if self.file or not file else InputError(file, self.place, self.found, self.accepted)
