"""Raises writers that are made to be killed: imports once, then forks, so that fifty deaths take seconds.

It reads `raise URL NAME` and `kill PID`, and says `born NAME PID` and `dead PID`. A writer decides and supersedes as
fast as it can, says `acked NAME EVENT ACT STATE` after each act that came back, and ends by itself after a while.
"""

from __future__ import annotations

import importlib.util
import os
import signal
import sys

from fdm.people.acts import Judged
from fdm.people.errors import AlreadyDecided
from fdm.people.roles import Actor
from fdm.people.store import People

if importlib.util.find_spec("psycopg"):
    import psycopg  # noqa: F401  once, here, and not in every child

ROUNDS = 200
WANTED = "wanted-by_all"


def say(line: str) -> None:
    """One line in one write, so that two writers' lines never mix."""
    os.write(1, f"{line}\n".encode())


def work(people: People, name: str, rounds: int = ROUNDS) -> None:
    """Decide events of its own, and by turns one that every writer wants."""
    me = Actor(name, "officer")
    for number in range(rounds):
        mine = people.decide(Judged(f"{name}-{number}"), "valid", by=me, seen=None, note="x" * (number * 97 % 3000))
        say(f"acked {name} {mine.event_id} {mine.act_id} valid")
        stands = people.decision(WANTED)
        try:
            seen = stands.act_id if stands else None
            won = people.decide(Judged(WANTED), "false", by=me, seen=seen, reason=f"{name} {number}")
        except AlreadyDecided:
            continue
        say(f"acked {name} {WANTED} {won.act_id} false")


def give_birth(people: People, name: str) -> None:
    """Fork a writer."""
    child = os.fork()
    if child:
        say(f"born {name} {child}")
        return
    try:
        work(people, name)
    except BaseException as error:
        say(f"failed {name} {error!r}")
    finally:
        os._exit(0)


def practised(url: str) -> People:
    """A store with its statements compiled and no connection open, which each writer inherits."""
    people = People(url)
    work(people, "practice", rounds=1)
    people.close()
    return people


def main() -> None:
    """Do as standard input says, until it ends."""
    people: People | None = None
    for line in sys.stdin:
        match line.split():
            case ["raise", url, name]:
                people = people or practised(url)
                give_birth(people, name)
            case ["kill", pid]:
                os.kill(int(pid), signal.SIGKILL)
                os.waitpid(int(pid), 0)
                say(f"dead {pid}")


if __name__ == "__main__":
    main()
