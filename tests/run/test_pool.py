"""Workers that die or hang cost their own task, never the run."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np
import psutil
import pytest

from run.small_tasks import work
from windstill.run.pool import Failure, LocalPool


def test_every_task_is_answered() -> None:
    with LocalPool(2, 60) as pool:
        answered = dict(pool.run(work, [f"t{i}" for i in range(50)]))
    assert answered == {f"t{i}": f"T{i}" for i in range(50)}


def test_nothing_to_do_starts_nothing() -> None:
    with LocalPool(2, 60) as pool:
        before = psutil.Process().children()
        assert list(pool.run(work, [])) == []
        assert psutil.Process().children() == before


def test_a_worker_that_is_killed_costs_its_own_task_only() -> None:
    tasks = [f"t{i}" for i in range(8)] + ["die"] + [f"u{i}" for i in range(8)]
    with LocalPool(2, 60) as pool:
        answered = dict(pool.run(work, tasks))
        assert isinstance(answered.pop("die"), Failure)
        assert answered == {task: task.upper() for task in tasks if task != "die"}
        assert dict(pool.run(work, ["again"])) == {"again": "AGAIN"}


def test_a_worker_that_is_killed_while_it_answers_is_not_waited_for() -> None:
    tasks = ["a", "die half told", "b", "c", "d"]
    began = time.monotonic()
    with LocalPool(2, 120) as pool:
        answered = dict(pool.run(work, tasks))
    assert isinstance(answered.pop("die half told"), Failure)
    assert answered == {task: task.upper() for task in tasks if task != "die half told"}
    assert time.monotonic() - began < 60


@pytest.mark.skipif(not hasattr(signal, "SIGSTOP"), reason="this system cannot stop a process")
def test_a_worker_that_answers_no_more_once_all_is_done_is_not_waited_for() -> None:
    """One that is killed while it holds the queue leaves the other as this one is: it never ends by itself."""
    with LocalPool(2, 60) as pool:
        worker = psutil.Process(int(str(next(own for _, own in pool.run(work, ["pid"])))))
        worker.send_signal(signal.SIGSTOP)
        began = time.monotonic()
    assert time.monotonic() - began < 20
    assert not worker.is_running() or worker.status() == psutil.STATUS_ZOMBIE


def test_a_worker_that_hangs_costs_its_own_task_only() -> None:
    tasks = ["a", "hang", "b", "c", "d"]
    with LocalPool(2, 4.0) as pool:
        answered = dict(pool.run(work, tasks))
    hung = answered.pop("hang")
    assert isinstance(hung, Failure)
    assert "stall" in hung.reason
    assert answered == {task: task.upper() for task in tasks if task != "hang"}


def test_tasks_are_taken_only_as_workers_come_free() -> None:
    taken = []

    def tasks() -> Iterator[str]:
        for i in range(40):
            taken.append(i)
            yield f"t{i}"

    with LocalPool(2, 60) as pool:
        for done, _ in enumerate(pool.run(work, tasks()), start=1):
            assert len(taken) - done < 2 * 2 + 1


def test_leaving_early_leaves_no_process_behind() -> None:
    with LocalPool(2, 60) as pool:
        _, pid = next(pool.run(work, ["pid"] * 3))
    assert isinstance(pid, str)
    assert not _alive(int(pid))


@pytest.mark.timeout(60)
def test_leaving_while_workers_are_still_starting_does_not_wait_for_ever() -> None:
    for moment in range(10):
        with pytest.raises(KeyError), LocalPool(2, 60) as pool:
            for _ in pool.run(abs, range(4)):
                time.sleep(0.002 * moment)
                raise KeyError


def test_interrupted_while_a_worker_is_busy_leaves_no_process_behind() -> None:
    with pytest.raises(KeyboardInterrupt), LocalPool(1, 60) as pool:
        _, pid = next(pool.run(work, ["pid", "hang"]))
        raise KeyboardInterrupt
    assert isinstance(pid, str)
    assert not _alive(int(pid))


def test_workers_end_with_a_killed_parent(tmp_path: Path) -> None:
    script = tmp_path / "parent.py"
    script.write_text(
        "import time\n"
        "from run.small_tasks import work\n"
        "from windstill.run.pool import LocalPool\n"
        "with LocalPool(2, 60) as pool:\n"  # and no guard: workers must not run this script again
        "    for _, found in pool.run(work, ['pid'] * 4): print(found, flush=True)\n"
        "    time.sleep(60)\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    with subprocess.Popen([sys.executable, script], env=environment, stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        workers = {int(parent.stdout.readline()) for _ in range(4)}
        parent.kill()
    end = time.monotonic() + 10
    while any(psutil.pid_exists(pid) and _alive(pid) for pid in workers):
        assert time.monotonic() < end, "a worker outlived its parent"
        time.sleep(0.1)


def _alive(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.Error:
        return False


def test_a_process_with_busy_threads_of_opencv_may_start_workers() -> None:
    cv2.setNumThreads(4)
    cv2.GaussianBlur(np.zeros((2000, 2000), np.uint8), (31, 31), 5)  # starts OpenCV's own threads
    with LocalPool(2, 60) as pool:
        assert dict(pool.run(work, ["a", "b"])) == {"a": "A", "b": "B"}
