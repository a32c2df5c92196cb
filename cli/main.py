"""The `soundplumb` command: a group of commands, each in a file of its own.

Nothing heavy is imported here or at the top of a command's file, so that --help answers at once.
"""

import json
from contextlib import suppress

import click

from cli.check import check
from cli.conform import conform
from cli.day import day
from cli.demo import demo
from cli.directions import directions
from cli.film import film
from cli.headset import headset
from cli.inspect import inspect
from cli.orient import orient
from cli.review import review
from cli.streams import put
from cli.sync import sync
from cli.verify import verify
from spatial.version import __version__


class ShootDayOrder(click.Group):
    """Lists the commands in the order of a shoot day, not of the alphabet."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002 click passes it
        """Names, in the order they were added."""
        return list(self.commands)

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Keep in mind whether JSON is wanted: a command that is used wrongly never gets to know."""
        ctx.obj = "--json" in args
        return super().parse_args(ctx, args)

    def invoke(self, ctx: click.Context) -> object:
        """Run the command; where JSON is wanted, wrong usage is told in JSON too."""
        try:
            return super().invoke(ctx)
        except click.UsageError as error:
            if ctx.obj:
                with suppress(OSError):
                    put(json.dumps({"error": error.format_message()}, ensure_ascii=False), json=True)
            raise


@click.group(cls=ShootDayOrder, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="soundplumb")
def cli() -> None:
    """Make an ambisonic recording fit a 180-degree picture, in time and in direction, and prove it.

    The commands stand in the order of a shoot day. Results go to standard output, progress and warnings to standard
    error. Exit codes: 0 good, 2 wrong usage, 3 could not do it, 4 done and the answer is bad (a finding marked FIX).
    """


for command in (inspect, check, sync, directions, orient, conform, verify, review, headset, film, day, demo):
    cli.add_command(command)
