"""``python -m crestgauge.synthetic_data.carved``: draw the second independent test family."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def main(words: list[str] | None = None) -> int:
    """Parse the command line and draw; 0 = done, 2 = wrong usage or the renderer is missing."""
    parser = argparse.ArgumentParser(prog="python -m crestgauge.synthetic_data.carved", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder to fill")
    parser.add_argument("--seed", type=int, default=1, help="seed of the set")
    parser.add_argument("--n", type=int, default=48, help="pictures; every sixth is unusable on purpose")
    parser.add_argument(
        "--only", type=int, nargs="+", default=None, metavar="K", help="draw these pictures alone"
    )
    given = parser.parse_args(words)
    from crestgauge.synthetic_data.carved import dataset, picture

    try:
        picture.renderer()
    except ImportError:
        print(
            "mitsuba is not installed; needed to trace pictures. "
            'Install it: pip install "crestgauge[traced]"',
            file=sys.stderr,
        )
        return 2
    print(f"{dataset.make_set(given.out, given.seed, given.n, only=given.only)} pictures")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
