"""How the library tells what it is doing, without ever printing."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """What a long job reports to; the command line draws it, a program may ignore it."""

    def stage(self, name: str) -> None:
        """Say that a new stage of the job begins."""

    def fraction(self, done: float) -> None:
        """Say how much of the current stage is done, 0 to 1."""

    def note(self, text: str) -> None:
        """Say something that the user should read now."""


class Silent:
    """A Progress that says nothing."""

    def stage(self, name: str) -> None:
        """Ignore it."""

    def fraction(self, done: float) -> None:
        """Ignore it."""

    def note(self, text: str) -> None:
        """Ignore it."""
