"""
A ring of drawn pictures on the training device, filled in between steps or by processes that draw beside the
training.
"""

from __future__ import annotations

import multiprocessing
import queue
import threading
import traceback
from dataclasses import fields
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
import torch

from crestgauge.synthetic_data.memory import keep_memory
from crestgauge.training.batch import Draw, Packed, pack


class Pool:
    """
    The last ``capacity`` pictures that were drawn.

    Parameters
    ----------
    capacity : int
        A multiple of the number added at a time.
    device : torch.device
    """

    def __init__(self, capacity: int, device: torch.device) -> None:
        self.capacity, self.device = capacity, device
        self.added = 0
        self._store: Packed | None = None

    def __len__(self) -> int:
        return min(self.added, self.capacity)

    def add(self, packed: Packed) -> None:
        """Put pictures in place of the oldest."""
        if self._store is None:
            self._store = Packed(
                **{
                    f.name: torch.zeros(
                        (self.capacity, *value.shape[1:]), dtype=value.dtype, device=self.device
                    )
                    for f in fields(Packed)
                    for value in [getattr(packed, f.name)]
                }
            )
        at = self.added % self.capacity
        for f in fields(Packed):
            getattr(self._store, f.name)[at : at + len(packed)] = getattr(packed, f.name).to(self.device)
        self.added += len(packed)

    def sample(self, count: int, generator: torch.Generator) -> Packed:
        """``count`` pictures, none twice unless the pool is smaller; ``generator`` is on the CPU."""
        assert self._store is not None
        size = len(self)
        rounds = -(-count // size)
        order = torch.cat([torch.randperm(size, generator=generator) for _ in range(rounds)])[:count]
        return self._store.take(order.to(self.device))


class InlineFeeder:
    """
    Draws between the steps, in the training process; which picture comes when depends on the step alone.

    Parameters
    ----------
    draw : Draw
    seed : int
        Batch k is drawn with seed + k.
    size : int
        Pictures per batch.
    every : int
        One batch every so many steps.
    """

    def __init__(self, draw: Draw, *, seed: int, size: int, every: int) -> None:
        self.draw, self.seed, self.size, self.every = draw, seed, size, every

    def fill(self, pool: Pool, count: int) -> None:
        """Add batches until ``count`` pictures have been added in all."""
        while pool.added < count:
            self._next(pool)

    def restore(self, pool: Pool, added: int) -> None:
        """Bring the pool to the state it had after ``added`` pictures, by drawing its last ones again."""
        pool.added = max(0, added - pool.capacity)
        self.fill(pool, added)

    def refresh(self, pool: Pool, step: int) -> None:
        """What belongs before step ``step``."""
        if step % self.every == 0:
            self._next(pool)

    def close(self) -> None:
        """Nothing to stop."""

    def _next(self, pool: Pool) -> None:
        seed = self.seed + pool.added // self.size
        pool.add(pack(self.draw(seed, self.size, pool.device)))


class WorkerFeeder:
    """
    Processes that draw all the time; what they have ready is taken before each step.

    Parameters
    ----------
    draw : Draw
        Must survive pickling: the processes are started afresh.
    seed : int
        Batch k of worker w of W is drawn with seed + k W + w.
    size : int
        Pictures per batch.
    devices : tuple of str
        One worker each.
    """

    def __init__(self, draw: Draw, *, seed: int, size: int, devices: tuple[str, ...]) -> None:
        context = multiprocessing.get_context("spawn")
        self._ready: queue.Queue[Packed | str] = queue.Queue(maxsize=2 * len(devices))
        self._processes, self._stop = [], threading.Event()
        for number, device in enumerate(devices):
            ours, theirs = context.Pipe(duplex=False)
            arguments = (theirs, draw, range(seed + number, 2**31 - 1, len(devices)), size, device)
            process = context.Process(target=_draw_on, args=arguments, daemon=True)
            process.start()
            theirs.close()
            threading.Thread(target=self._receive, args=(ours,), daemon=True).start()
            self._processes.append(process)

    def fill(self, pool: Pool, count: int) -> None:
        """Wait until ``count`` pictures have been added in all."""
        while pool.added < count:
            self._take(pool, self._ready.get(timeout=600))

    def restore(self, pool: Pool, added: int) -> None:
        """A resumed run goes on with new pictures: seeds are moved on by the caller."""

    def refresh(self, pool: Pool, step: int) -> None:
        """Add whatever is ready."""
        while True:
            try:
                self._take(pool, self._ready.get_nowait())
            except queue.Empty:
                return

    def close(self) -> None:
        """Stop the processes."""
        self._stop.set()
        for process in self._processes:
            process.terminate()
        for process in self._processes:
            process.join(timeout=10)

    def _take(self, pool: Pool, item: Packed | str) -> None:
        if isinstance(item, str):
            self.close()
            raise RuntimeError(f"a drawing process stopped:\n{item}")
        pool.add(item)

    def _receive(self, connection: Connection) -> None:
        try:
            while not self._stop.is_set():
                header = connection.recv()
                if isinstance(header, str):
                    self._ready.put(header)
                    return
                arrays = {}
                for name, dtype, shape in header:
                    flat = np.frombuffer(bytearray(connection.recv_bytes()), dtype=dtype)
                    arrays[name] = torch.from_numpy(flat.reshape(shape))
                self._ready.put(Packed(**arrays))
        except (EOFError, OSError):
            if not self._stop.is_set():
                self._ready.put("its connection closed without a message")


def _draw_on(connection: Connection, draw: Draw, seeds: range, size: int, device: str) -> None:
    """Body of a drawing process: batches as plain bytes, since shared memory is small on many machines."""
    try:
        keep_memory()
        torch.set_num_threads(1)
        target = torch.device(device)
        if target.type == "cuda":
            torch.cuda.set_device(target)
        for seed in seeds:
            with torch.inference_mode():
                packed = pack(draw(seed, size, target))
            _send(connection, packed)
    except (BrokenPipeError, KeyboardInterrupt):
        return
    except Exception:
        connection.send(traceback.format_exc())


def _send(connection: Connection, packed: Packed) -> None:
    arrays: dict[str, Any] = {
        f.name: np.ascontiguousarray(getattr(packed, f.name).cpu().numpy()) for f in fields(Packed)
    }
    connection.send([(name, array.dtype.str, array.shape) for name, array in arrays.items()])
    for array in arrays.values():
        connection.send_bytes(memoryview(array).cast("B"))


def generator_for(seed: int, step: int, device: torch.device | str = "cpu") -> torch.Generator:
    """A generator that depends on run and step alone, so that a resumed run rolls the same dice."""
    return torch.Generator(device=device).manual_seed((seed * 1_000_003 + step) % (2**63 - 1))
