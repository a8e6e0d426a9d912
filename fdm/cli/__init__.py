"""The command line: arguments and printing only. Every verb is a plain function of the package too.

Exit status: 0 done; 1 done, but some input was refused and is listed; 2 nothing could be done.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from fdm import __version__
from fdm.cli import archive_commands, check_commands, health_commands, report_commands, show_commands
from fdm.errors import FdmError
from fdm.people import commands as people_commands

DONE, SOME_REFUSED, NOTHING_DONE, STOPPED = 0, 1, 2, 130
TRACEBACK = "FDM_TRACEBACK"


class InOrder(click.Group):
    """Commands in the order of a user's work, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names as they were added."""
        return list(self.commands)


@click.group(cls=InOrder, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="Rollout Watch", message="%(prog)s %(version)s")
def cli() -> None:
    """Rollout Watch finds late, uneven or careless use of reversers and spoilers in flight recordings.

    Recordings go into an archive (load), every landing is measured and judged (detect), and the events are listed
    (events), exported (export) or looked at in a browser (dashboard). To see it all at work: fdm demo.

    Not for airworthiness or disciplinary decisions. Operator manuals, regulations and licensed people come first.
    """


for module in (show_commands, archive_commands, report_commands, health_commands, check_commands, people_commands):
    for command in module.COMMANDS:
        cli.add_command(command)


def run(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status; whatever goes wrong is one line on standard error."""
    try:
        return _status(cli.main(arguments, prog_name="fdm", standalone_mode=False))
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
    except click.ClickException as error:
        error.show()
    except (click.Abort, KeyboardInterrupt):
        click.echo("fdm: stopped. What was stored before is whole.", err=True)
        return STOPPED
    except FdmError as error:
        click.echo(f"fdm: {error}", err=True)
    except BrokenPipeError:
        sys.stdout = open(os.devnull, "w")  # noqa: SIM115  the reader has gone; nothing is left to flush
        return DONE
    except MemoryError:
        click.echo("fdm: there is not enough memory for this. Export as .parquet, or choose one week.", err=True)
    except OSError as error:
        click.echo(f"fdm: {_of_the_system(error)}", err=True)
    except Exception as error:
        if os.environ.get(TRACEBACK):
            raise
        name = type(error).__name__
        click.echo(f"fdm: this should not have happened ({name}: {error}). {TRACEBACK}=1 shows where.", err=True)
    return NOTHING_DONE


def _status(returned: object) -> int:
    return returned if isinstance(returned, int) else DONE


def _of_the_system(error: OSError) -> str:
    """Disk full, permission denied and the like, with the file when it is known."""
    what = (error.strerror or str(error)).lower()
    return f"{error.filename}: {what}." if error.filename else f"{what}."


def main() -> None:
    """The fdm program."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    sys.exit(run())
