"""Work on a cluster: a real scheduler, two worker processes, one of them killed."""

from __future__ import annotations

import os
import signal
import threading
import time

import numpy as np
import pytest
from test_explain import STRAIGHT

from poresim.cli.main import main
from poresim.ensemble.gather import Lost, gather
from poresim.ensemble.jobs import outcome_one
from poresim.ensemble.request import jobs_of
from poresim.outcome.asked import Outcome
from poresim.scenario.reading import parse_scenario

SOAKS = 24


def jobs() -> list:
    text = STRAIGHT.replace("until_s = 0.003", f"until_s = 0.003\nrepeats = {SOAKS // 2}")
    text = text.replace(
        'law = "fixed", radius_um = 10', 'law = "lognormal", median_radius_um = 10, log_sd = 0.3'
    )
    return jobs_of(parse_scenario(text), "key", set())


def gathered(count: int = 1, executor=None, came=lambda: None) -> dict[int, Outcome | Exception]:
    found: dict[int, Outcome | Exception] = {}

    def keep(i, outcome):
        assert i not in found
        found[i] = outcome
        came()

    gather(outcome_one, jobs(), keep, count=count, executor=executor)
    return found


@pytest.fixture(scope="module")
def reference() -> dict[int, Outcome]:
    from concurrent.futures import ThreadPoolExecutor

    with ThreadPoolExecutor(1) as pool:
        return gathered(executor=pool)


def agree(found, reference) -> None:
    assert sorted(found) == list(range(SOAKS))
    for i, outcome in found.items():
        assert isinstance(outcome, Outcome), outcome
        assert outcome.figures == reference[i].figures
        for name, row in outcome.curves.items():
            np.testing.assert_array_equal(row, reference[i].curves[name])


def test_a_worker_of_a_cluster_is_killed_and_nothing_is_lost(reference):
    from dask.distributed import Client, LocalCluster

    with (
        LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
            silence_logs=50,
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):  # fmt: skip
        pids = list(client.run(os.getpid).values())
        assert len(set(pids)) == 2
        killed = []

        def kill_one():
            if not killed:
                killed.append(pids[0])
                os.kill(pids[0], signal.SIGKILL)

        agree(gathered(executor=client.get_executor(), came=kill_one), reference)
        assert killed
        assert pids[0] not in client.run(os.getpid).values()


def test_a_process_of_its_own_is_killed_and_nothing_is_lost(reference):
    """The pool breaks; what it had not finished is done by a new one."""
    import multiprocessing

    killed = []

    def kill_one():
        if not killed:
            children = [p.pid for p in multiprocessing.active_children() if p.is_alive()]
            killed.append(children[0])
            os.kill(children[0], signal.SIGKILL)

    agree(gathered(count=2, came=kill_one), reference)
    assert killed


def test_a_run_that_always_ends_its_worker_is_given_up():
    """Else the work would never end."""
    from concurrent.futures import Executor, Future
    from concurrent.futures.process import BrokenProcessPool

    class Fragile(Executor):
        def submit(self, fn, /, *args, **kwargs):
            future: Future = Future()
            future.set_exception(BrokenProcessPool("gone"))
            return future

    found = gathered(executor=Fragile())
    assert sorted(found) == list(range(SOAKS))
    assert all(isinstance(one, Lost) for one in found.values())


def test_an_address_where_nobody_answers_is_one_line(tmp_path, capsys, monkeypatch):
    monkeypatch.setattr("poresim.cli.asking.ANSWER_S", 2)
    path = tmp_path / "rusk.toml"
    path.write_text(STRAIGHT)
    ask = ["explain", str(path), "--out", str(tmp_path / "out")]
    began = time.monotonic()
    assert main([*ask, "--cluster", "tcp://127.0.0.1:9"]) == 2
    assert time.monotonic() - began < 60
    said = [line for line in capsys.readouterr().err.splitlines() if "--cluster" in line]
    assert len(said) == 1
    assert "no scheduler answers" in said[0]
    assert main([*ask, "--cluster", "nonsense://x"]) == 2
    assert main([*ask, "--cluster", "tcp://127.0.0.1:9", "--workers", "2"]) == 2
    assert threading.active_count() < 50


def test_the_command_works_on_a_cluster(tmp_path):
    from dask.distributed import LocalCluster

    path = tmp_path / "rusk.toml"
    path.write_text(STRAIGHT + "[explain]\nof = { time_to_saturation = 0.2 }\n")
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None, silence_logs=50
    ) as cluster:
        ask = ["explain", str(path), "--out", str(tmp_path / "out"), "--no-figures"]
        assert main([*ask, "--cluster", cluster.scheduler_address]) == 0
    assert (tmp_path / "out" / "rusk.explain.json").exists()
