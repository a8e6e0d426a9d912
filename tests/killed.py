"""Raises processes made to be killed at work on an archive: imports once, then forks, so that many deaths cost little.

Nothing is computed before a fork, so that no thread of Polars is lost in it. Reads lines `load ARCHIVE SOURCE`,
`detect ARCHIVE`, `compact ARCHIVE` and `kill PID`; says `born PID`, then a line `at` before and after everything that
the child writes, reads or removes, `done` or `failed WHY` at its end, and `dead PID` when it was killed.
"""

from __future__ import annotations

import os
import signal
import sys
from typing import Any

from fdm.compacting import compact
from fdm.engine import detect, load
from fdm.storage import Folder


def say(line: str) -> None:
    """One line in one write."""
    os.write(1, f"{line}\n".encode())


def announced(name: str) -> Any:
    """A method of Folder that tells when it is called and when it returns."""
    method = getattr(Folder, name)

    def told(self: Folder, *given: Any) -> Any:
        say("at")
        result = method(self, *given)
        say("at")
        return result

    return told


def work(verb: str, archive: str, *sources: str) -> None:
    """What the child does."""
    for name in ("write", "read", "remove"):
        setattr(Folder, name, announced(name))
    if verb == "load":
        load(list(sources), archive)
    elif verb == "detect":
        detect(archive)
    else:
        compact(archive)


def main() -> None:
    """Do as standard input says, until it ends."""
    for line in sys.stdin:
        if line.startswith("kill"):
            child = int(line.split()[1])
            os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            say(f"dead {child}")
            continue
        child = os.fork()
        if child:
            say(f"born {child}")
            continue
        try:
            work(*line.split())
            say("done")
        except BaseException as error:
            say(f"failed {error!r}")
        finally:
            os._exit(0)


if __name__ == "__main__":
    main()
