"""
The first independent family laid on real photographs as grounds, read, and scored like any other set.

Run: python tests/benchmarks/real_grounds.py OUT   (not a test; a minute or two on two cores)
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from real_photographs import FAMILY, lay_family

from crestgauge.training.evaluate import EvaluateConfig, evaluate_folder


def main() -> None:
    out = Path(sys.argv[1])
    laid = list(lay_family(FAMILY, out))
    evaluate_folder(out, out / "read", EvaluateConfig(workers=2))
    print(len(laid), "photographs\n", (out / "read" / "evaluation.md").read_text(encoding="utf-8"))


if __name__ == "__main__":
    main()
