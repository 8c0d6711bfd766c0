"""Options that take every word up to the next option: --from 12 14 17, --set ramp="2 s" mass="7 kg"."""

from __future__ import annotations

from typing import Any

from typer.core import TyperCommand

MANY = ("--from", "--set")


class Variadic(TyperCommand):
    """A command whose options in `MANY` may be followed by several words."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        return super().parse_args(ctx, spread(args))


def spread(args: list[str]) -> list[str]:
    """`--from 12 14` as `--from 12 --from 14`."""
    found: list[str] = []
    option = None
    for word in args:
        if word.startswith("--") or word == "-":
            option = word if word in MANY else None
            if option is None:
                found.append(word)
        elif option is not None:
            found += [option, word]
        else:
            found.append(word)
    return found
