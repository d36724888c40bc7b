"""
The first independent family laid on each of the real photographs that serve as grounds, read, and scored.

Run: python tests/benchmarks/real_grounds.py OUT   (not a test; ten minutes on two cores)
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from real_photographs import FAMILY, grounds, lay_family

from crestgauge.training.evaluate import EvaluateConfig, evaluate_folder
from crestgauge.training.report import markdown
from crestgauge.training.score import summarise


def main() -> None:
    out, rows = Path(sys.argv[1]), []
    for ground in grounds():
        folder = out / ground.stem
        laid = list(lay_family(FAMILY, folder, [ground]))
        evaluate_folder(folder, folder / "read", EvaluateConfig(workers=2), log=lambda line: None)
        lines = (folder / "read" / "photos.jsonl").read_text(encoding="utf-8").splitlines()
        found = [json.loads(line) for line in lines]
        refused = sum(row["refused"] for row in found)
        print(f"{ground.stem}: {len(laid)} photographs, {refused} refused")
        rows += found
    print(markdown(summarise(rows)))


if __name__ == "__main__":
    main()
