"""The process that does one job: python -m fdm.people.task MODULE:FUNCTION, its arguments as JSON on standard input.

It writes a line of JSON for each step: {"done": 3, "in_all": 20, "what": "..."}, and last {"end": "done" or "failed",
"says": "..."}. Standard input stays open while somebody wants the work; when it closes, the process ends at once, so
that no work goes on for a dashboard that is gone.
"""

from __future__ import annotations

import json
import os
import sys
import threading
from importlib import import_module
from typing import Any

from fdm.errors import FdmError

ABANDONED = 75


def main() -> int:
    """Do the work; 0 when done, 1 when it failed and said why."""
    module, _, name = sys.argv[1].partition(":")
    arguments = json.loads(sys.stdin.readline())
    threading.Thread(target=_end_when_abandoned, daemon=True).start()
    try:
        says = getattr(import_module(module), name)(**arguments, progress=_progress)
    except FdmError as error:
        return _end("failed", str(error))
    except OSError as error:
        return _end("failed", f"{error.filename or ''} {error.strerror or error}".strip())
    except MemoryError:
        return _end("failed", "there is not enough memory for this")
    except Exception as error:
        return _end("failed", f"this should not have happened ({type(error).__name__}: {error})")
    return _end("done", str(says))


def _progress(done: int, in_all: int, what: str) -> None:
    _say({"done": done, "in_all": in_all, "what": what})


def _end(state: str, says: str) -> int:
    _say({"end": state, "says": says})
    return 0 if state == "done" else 1


def _say(line: dict[str, Any]) -> None:
    sys.stdout.write(json.dumps(line) + "\n")
    sys.stdout.flush()


def _end_when_abandoned() -> None:
    while sys.stdin.readline():
        pass
    os._exit(ABANDONED)


if __name__ == "__main__":
    sys.exit(main())
