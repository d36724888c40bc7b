"""
Time of `measure_row` on a full drawn row, against one argmax over the same maps.

Run: python tests/benchmarks/bench_measure.py   (not a test; checks the result before it times it)
"""

from __future__ import annotations

import statistics
import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from drawn_row import draw, plain_row

from crestgauge.inference.maps import RowFrame
from crestgauge.inference.measure import measure_row


def cpu_ms(call, n: int = 15) -> float:
    """Median processor time of ``n`` calls after three to warm up. [ms]"""
    for _ in range(3):
        call()
    times = []
    for _ in range(n):
        start = time.process_time()
        call()
        times.append(1e3 * (time.process_time() - start))
    return statistics.median(times)


def main() -> None:
    maps = draw(plain_row(turn_deg=2.0))
    frame = RowFrame(np.array([[1.0, 0.0, 0.0], [0.0, 1.0, 0.0]]))
    image = np.full((448, 1536, 3), 128, dtype=np.uint8)
    row = measure_row(maps, frame, image)
    ratios = [c.ratio.value for t in row.teeth for c in t.crests]
    assert len(ratios) == 12 and np.allclose(ratios, 14 / 9, rtol=0.03), ratios
    measured = cpu_ms(lambda: measure_row(maps, frame, image))
    argmax = cpu_ms(lambda: maps.channels[:13].argmax(axis=0))
    print(
        f"measure_row {measured:.1f} ms; argmax of 13 channels {argmax:.1f} ms; {measured / argmax:.2f} times"
    )


if __name__ == "__main__":
    main()
