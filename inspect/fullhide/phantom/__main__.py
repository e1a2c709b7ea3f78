"""Command line: ``python -m fullhide.phantom sample FOLDER``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from pathlib import Path

from ..errors import FullhideError

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; returns 0, or 2 where the input is at fault."""
    parser = argparse.ArgumentParser(
        prog="python -m fullhide.phantom",
        description="Render test photographs of dyed leather whose truth is known.",
        epilog="From Python: from fullhide.phantom import Scene, Spot, render, save_photo",
    )
    commands = parser.add_subparsers(dest="command", required=True)
    sample = commands.add_parser(
        "sample",
        help="write the example jobs",
        description="Write the example jobs: photos, job.toml, regions.geojson and truth.json. "
        "The same version writes the same files.",
    )
    sample.add_argument("folder", type=Path, help="made if need be; each job is a folder in it")
    chosen = parser.parse_args(arguments)
    # Rendering needs heavy packages; help does not.
    from .sample import write_samples

    try:
        for folder in write_samples(chosen.folder):
            sys.stdout.write(f"{folder}\n")
    except FullhideError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
