"""Random input for every way into `relief`."""

from __future__ import annotations

import random
import resource
import signal
import tempfile
import time
import warnings
from collections import Counter
from pathlib import Path

from tests.fuzz import MAKERS, outcome

# s of processor time for one input; nothing that is read in earnest comes near it.
LONGEST = 10.0
# s by the clock: whatever waits this long for something waits for ever.
FOR_EVER = 600


class TooLongError(BaseException):
    """Raised in the middle of whatever takes too long; no handler of ordinary errors catches it."""


def fuzz(count: int, seed: int) -> int:
    """Hand random input to every entry; count tracebacks, and inputs that take longer than 10 s of work."""
    signal.signal(signal.SIGPROF, _too_long)
    signal.signal(signal.SIGALRM, _too_long)
    faults = 0
    for entry in MAKERS:
        told: Counter[str] = Counter()
        slowest = 0.0
        for number in range(count):
            began = time.process_time()
            answer = _told(entry, f"{entry} {seed} {number}")
            slowest = max(slowest, time.process_time() - began)
            told[answer] += 1
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(
            f"{entry}: {count} inputs, {dict(told)}, slowest {slowest:.2f} s, memory {memory:.0f} MB",
            flush=True,
        )
        faults += told["FAULT"]
    return faults


def _told(entry: str, chance: str) -> str:
    """Return what becomes of one input."""
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        signal.setitimer(signal.ITIMER_PROF, LONGEST)
        signal.alarm(FOR_EVER)
        try:
            return (
                "read" if outcome(MAKERS[entry], random.Random(chance), Path(folder)) == "read" else "refused"
            )
        except BaseException as error:
            if isinstance(error, KeyboardInterrupt):
                raise
            print(f'{entry}, Random("{chance}"): {type(error).__name__}: {error}', flush=True)
            return "FAULT"
        finally:
            signal.setitimer(signal.ITIMER_PROF, 0)
            signal.alarm(0)


def _too_long(_signal: int, _frame: object) -> None:
    message = f"longer than {LONGEST:g} s"
    raise TooLongError(message)
