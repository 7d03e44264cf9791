"""What a check is: a statement about programs, judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

# What the rounding of a text's coordinates explains, mm.
TEXT_ROUNDING = 1e-6


@dataclass(frozen=True)
class Check:
    """One statement about the programs, and whether it holds.

    Parameters
    ----------
    name : the statement in a few words
    holds : whether it is true
    measured, limit : the number judged and what it is held against, in `unit`
    message : one sentence for the user
    severity : "stop" forbids the programs, "warn" tells
    """

    name: str
    holds: bool
    measured: float
    limit: float
    unit: str
    message: str
    severity: Literal["stop", "warn"]
