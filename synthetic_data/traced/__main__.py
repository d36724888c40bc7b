"""``python -m crestgauge.synthetic_data.traced``: draw the independent test family."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path


def main(words: list[str] | None = None) -> int:
    """Parse the command line and draw; 0 = done, 2 = wrong usage or the renderer is missing."""
    parser = argparse.ArgumentParser(prog="python -m crestgauge.synthetic_data.traced", description=__doc__)
    parser.add_argument("--out", type=Path, required=True, help="folder to fill")
    parser.add_argument("--seed", type=int, default=1, help="seed of the set")
    parser.add_argument(
        "--n", type=int, default=73, help="pictures in the set; every fifth is unusable on purpose"
    )
    parser.add_argument(
        "--only", type=int, nargs="+", default=None, metavar="K", help="draw these pictures alone"
    )
    parser.add_argument("--no-labels", action="store_true", help="write no label pictures")
    parser.add_argument(
        "--annotate", action="store_true", help="only work out the classes of the truth files again"
    )
    parser.add_argument(
        "--measure", action="store_true", help="only work out the truth files again, no rendering"
    )
    given = parser.parse_args(words)
    from crestgauge.synthetic_data.traced import dataset

    if given.measure:
        print(f"{dataset.measure_again(given.out, given.only)} truth files")
        return 0
    if given.annotate:
        print(f"{dataset.annotate_set(given.out)} truth files")
        return 0
    try:
        import mitsuba  # noqa: F401
    except ImportError:
        print(
            "mitsuba is not installed; needed to trace pictures. "
            'Install it: pip install "crestgauge[traced]"',
            file=sys.stderr,
        )
        return 2
    done = dataset.make_set(given.out, given.seed, given.n, only=given.only, labels=not given.no_labels)
    print(f"{done} pictures")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
