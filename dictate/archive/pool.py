"""The workers: one Dask client, connected to a cluster or to local processes that it starts itself.

Everything after the connection is the same code for both. Only a few parts a worker are under way at any
time, so memory does not depend on the size of the input. A part whose worker dies is given to another one.
"""

from __future__ import annotations

import contextlib
import logging
import os
from asyncio import CancelledError
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Any

from dictate.archive.parts import Part
from dictate.archive.reader import PartResult, ReadOptions, read_part
from dictate.errors import ClusterError, DictateError

PARTS_PER_WORKER = 2
GIVE_UP_AFTER = 5  # deaths of workers on one part
NO_WORKER_LIMIT_S = 60
CONNECT_LIMIT_S = 10
LOST = "nothing that is complete is lost: run the same command again to continue"


def cores() -> int:
    """The number of processor cores this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _quiet() -> None:
    """Dask's own log lines are for its developers; faults are reported in this program's sentences."""
    for name in ("", ".client", ".core", ".comm", ".nanny", ".scheduler", ".worker"):
        logging.getLogger(f"distributed{name}").setLevel(logging.CRITICAL + 1)
    logging.getLogger("tornado").setLevel(logging.CRITICAL + 1)


def _start(cluster: str | None, workers: int) -> tuple[Any, Any]:
    """A client, and the local cluster that it owns (None for somebody else's cluster)."""
    import dask
    from distributed import Client, LocalCluster

    dask.config.set(
        {
            "distributed.scheduler.allowed-failures": GIVE_UP_AFTER,
            "distributed.admin.large-graph-warning-threshold": "100MB",
        }
    )
    _quiet()
    if cluster is None:
        # Its web pages would tell every user of this machine about the run: none are served.
        dask.config.set({"distributed.scheduler.http.routes": [], "distributed.worker.http.routes": []})
        # Other users of the machine can reach its ports, so it speaks TLS with keys made for this run.
        local = LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            security=True,
            host="127.0.0.1",
            dashboard_address=None,
            scheduler_kwargs={"dashboard_address": "127.0.0.1:0"},
            silence_logs=logging.CRITICAL,
        )
        return Client(local), local
    try:
        return Client(cluster, timeout=CONNECT_LIMIT_S), None
    except (OSError, ValueError, TimeoutError) as error:
        raise ClusterError(
            f"No Dask scheduler answers at {cluster} ({type(error).__name__}). Start one with "
            "`dask scheduler`, check the address (tcp://HOST:8786 or tls://HOST:8786), then run the same "
            "command again."
        ) from error


class Pool:
    """Hands parts to workers and yields their results as they come, in any order."""

    def __init__(self, cluster: str | None, workers: int, options: ReadOptions) -> None:
        self.options = options
        self.cluster = cluster
        self.client, self.local = _start(cluster, workers)
        self.deaths: dict[int, int] = {}
        self.idle_s = 0.0

    def __enter__(self) -> Pool:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for owned in (self.client, self.local):
            if owned is not None:
                with contextlib.suppress(Exception):
                    owned.close(timeout=5)

    def workers(self) -> int:
        """The number of notes that can be read at the same time just now."""
        with contextlib.suppress(Exception):
            return sum(self.client.nthreads().values())
        return 0

    def results(self, parts: Iterator[Part], tick: Callable[[], None]) -> Iterator[PartResult]:
        """The results of all parts; `tick` is called at least once a second.

        Errors: ClusterError when the scheduler is lost, there are no workers, or a worker cannot do its work.
        """
        under_way: dict[Any, Part] = {}
        more = True
        while more or under_way:
            room = PARTS_PER_WORKER * max(1, self.workers()) - len(under_way)
            while more and room > 0:
                part = next(parts, None)
                if part is None:
                    more = False
                else:
                    under_way[self._submit(part)] = part
                    room -= 1
            for future in self._finished(list(under_way)):
                part = under_way.pop(future)
                result = self._result_of(future, part)
                if result is None:
                    under_way[self._submit(part)] = part
                else:
                    yield result
                del future
            tick()

    def _submit(self, part: Part) -> Any:
        try:
            return self.client.submit(read_part, part, self.options, pure=False)
        except Exception as error:
            raise self._lost() from error

    def _finished(self, futures: list[Any]) -> list[Any]:
        """Those that are done, after at most a second of waiting."""
        from distributed import wait

        if not futures:
            return []
        try:
            wait(futures, timeout=1, return_when="FIRST_COMPLETED")
        except TimeoutError:
            pass
        except (Exception, CancelledError) as error:
            raise self._lost() from error
        if self.client.status not in ("running", "newly-created"):
            raise self._lost()
        done = [future for future in futures if future.status != "pending"]
        if done or self.workers():
            self.idle_s = 0.0
        else:
            self.idle_s += 1
        if self.idle_s > NO_WORKER_LIMIT_S:
            raise ClusterError(
                f"The cluster has had no workers for {NO_WORKER_LIMIT_S} s. Start some with `dask worker`; {LOST}."
            )
        return done

    def _result_of(self, future: Any, part: Part) -> PartResult | None:
        """A finished part's result; None when its worker died and it is to be tried again."""
        from distributed import KilledWorker

        if future.status == "finished":
            try:
                result: PartResult = future.result(timeout=60)
                return result
            except Exception as error:
                raise self._lost() from error
        if future.status != "error":
            raise self._lost()
        problem = future.exception()
        if isinstance(problem, DictateError):
            raise problem
        self.deaths[part.number] = self.deaths.get(part.number, 0) + 1
        if isinstance(problem, KilledWorker) and self.deaths[part.number] < GIVE_UP_AFTER:
            return None
        raise ClusterError(
            f"Part {part.number} cannot be read: {type(problem).__name__} on a worker. Check memory and "
            "logs of the "
            f"workers; {LOST}."
        )

    def _lost(self) -> ClusterError:
        where = f"The scheduler at {self.cluster}" if self.cluster else "The local scheduler"
        return ClusterError(f"{where} is gone. Start it again; {LOST}.")
