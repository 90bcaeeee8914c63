"""A batch over a cluster of two local workers, one of which is killed in mid-run."""

from __future__ import annotations

import os
import signal
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from support.batches import block, deadly, hidden, records, run, start, until

from routing.jobs.batch.cluster import Cluster
from routing.jobs.errors import OutputError
from routing.jobs.workers.pool import Limits

if sys.modules.get("fcntl", os) is None:  # as with ``--elsewhere``; a library of the cluster would load it
    pytest.skip("the lock of this system is taken away", allow_module_level=True)
distributed = pytest.importorskip("distributed", reason="the extra dieroute[cluster] is not installed")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no such signals there")


@pytest.fixture
def cluster() -> Iterator[Any]:
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as local:
        yield local


def _pids(local: Any) -> list[int]:
    with distributed.Client(local, set_as_default=False) as client:
        return list(client.run(os.getpid).values())


def test_a_lost_worker_costs_no_file(cluster: Any, tmp_path: Path) -> None:
    models, out = tmp_path / "in", tmp_path / "out"
    models.mkdir()
    for n in range(8):
        block(models / f"block{n}.step", 10 + n)
    deadly(models / "deadly.step", models / "block0.step")
    victim = _pids(cluster)[0]
    words = ("batch", models, "-o", out, "--cluster", cluster.scheduler_address, "--no-cache")
    running = start(*words)
    until(lambda: len(records(out)) >= 2)
    os.kill(victim, signal.SIGKILL)
    _, said = running.communicate(timeout=150)
    assert running.returncode == 1, said
    statuses = {r["name"]: r["status"] for r in records(out)}
    assert statuses == {f"block{n}.step": "ok" for n in range(8)} | {"deadly.step": "crashed"}
    assert set(Counter(r["name"] for r in records(out)).values()) == {1}
    assert run(*words).returncode == 1
    assert len(records(out)) == 9, "nothing is done again"
    assert hidden(out) == []


def test_no_cluster_there() -> None:
    with pytest.raises(OutputError, match="no cluster answers"):
        Cluster("tcp://127.0.0.1:1", Limits())
