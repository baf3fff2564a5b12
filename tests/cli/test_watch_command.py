"""`windstill watch`: files that arrive slowly, renamed, deleted; a card taken out; Ctrl-C."""

from __future__ import annotations

import queue
import re
import shutil
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from preview_shoots import DUSK, write_burst

from cli.conftest import Here, arguments, environment
from written import states

SIZE = (1500, 1000)
PLACE = (0.7, 0.7, 0.95, 0.95)


class Watching:
    """The real command in a process of its own, its lines read as they come."""

    def __init__(self, folder: Path, base: Path, *more: str) -> None:
        words = ["watch", folder, "--workers", "1", "--set", "field.settle_s=0.4", *more]
        words += [] if "--out" in more else ["--out", base / "out"]
        self.process = subprocess.Popen(
            arguments(words), env=environment(base / "cache"), text=True, stdout=subprocess.PIPE,
            stderr=subprocess.PIPE, cwd=base, start_new_session=True,
        )  # fmt: skip
        self.out = base / more[more.index("--out") + 1] if "--out" in more else base / "out"
        self.said: list[str] = []
        self._lines: queue.Queue[str] = queue.Queue()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        assert self.process.stdout is not None
        for line in self.process.stdout:
            self._lines.put(line.rstrip("\n"))

    def until(self, pattern: str, seconds: float = 60.0) -> str:
        """Wait for a line; gives it."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            try:
                line = self._lines.get(timeout=0.2)
            except queue.Empty:
                assert self.process.poll() is None, (self.said, self.process.stderr and self.process.stderr.read())
                continue
            self.said.append(line)
            if re.search(pattern, line):
                return line
        raise AssertionError(f"{pattern!r} was not said in {seconds} s: {self.said}")

    def set_lines(self) -> list[str]:
        """Lines said of sets so far."""
        return [line for line in self.said if line.startswith(("go on", "reshoot", "look"))]

    def end(self, number: signal.Signals = signal.SIGINT) -> tuple[int, str]:
        """Ctrl-C; exit status and error stream."""
        self.process.send_signal(number)
        assert self.process.stderr is not None
        error = self.process.stderr.read()
        status = self.process.wait(timeout=120)
        time.sleep(0.2)
        while not self._lines.empty():
            self.said.append(self._lines.get())
        assert "Traceback" not in error
        return status, error


@pytest.fixture
def watching(tmp_path: Path) -> Iterator[Callable[..., Watching]]:
    """Starts watches; none outlives the test."""
    started: list[Watching] = []

    def start(folder: Path, *more: str) -> Watching:
        started.append(Watching(folder, tmp_path, *more))
        started[-1].until("photographs? there already")
        return started[-1]

    yield start
    for watch in started:
        if watch.process.poll() is None:
            watch.process.kill()
            watch.process.wait()


@pytest.fixture(scope="module")
def bursts(tmp_path_factory: pytest.TempPathFactory) -> list[list[Path]]:
    """Three bursts of three frames, five minutes apart: swaying, still, still."""
    folder = tmp_path_factory.mktemp("bursts")
    return [
        write_burst(folder, 1 + 3 * n, 10 + n, DUSK + timedelta(minutes=5 * n), moves, PLACE, 0, SIZE)
        for n, moves in enumerate([(0.0, 14.0, 0.0), (0.0, 0.0, 0.0), (0.0, 0.0, 0.0)])
    ]


def copy_slowly(source: Path, target: Path, pieces: int, pause_s: float) -> None:
    data = source.read_bytes()
    step = len(data) // pieces + 1
    with target.open("wb") as file:
        for at in range(0, len(data), step):
            file.write(data[at : at + step])
            file.flush()
            time.sleep(pause_s)


def test_sets_are_spoken_of_as_they_complete(
    bursts: list[list[Path]], tmp_path: Path, watching: Callable[..., Watching]
) -> None:
    folder = tmp_path / "tether"
    folder.mkdir()
    for path in bursts[2]:
        shutil.copy2(path, folder)
    watch = watching(folder, "--gap", "6")
    assert "3 photographs there already" in " ".join(watch.said)
    # The last frame stalls in the middle for longer than a file must stand still: still no line before it is whole.
    for path in bursts[0][:2]:
        copy_slowly(path, folder / path.name, 4, 0.05)
    copy_slowly(bursts[0][2], folder / bursts[0][2].name, 2, 1.2)
    line = watch.until("THFT0001")
    assert re.search(r"reshoot .* burst 3 +hard +right foreground, 1[345] px", line)
    # Copied under another name first, as tethering programs do; the next set begins before a pause has gone by.
    for path in bursts[1]:
        shutil.copy2(path, folder / f"{path.name}.part")
        (folder / f"{path.name}.part").rename(folder / path.name)
    watch.until("go on .*THFT0004 .*burst 3 +clean")
    # What was spoken of is not spoken of again under another name, nor when a frame is deleted.
    (folder / "THFT0004.JPG").rename(folder / "MOOR0004.JPG")
    (folder / "THFT0002.JPG").unlink()
    time.sleep(2)
    before = states(folder)
    status, error = watch.end()
    assert status in (0, 3), error
    assert len(watch.set_lines()) == 2, watch.said
    assert (watch.out / "report.html").is_file()
    assert "8 frames" in "\n".join(watch.said)
    assert states(folder) == before


def test_ctrl_c_speaks_of_the_last_set_and_leaves_a_report(
    bursts: list[list[Path]], tmp_path: Path, here: Here, watching: Callable[..., Watching]
) -> None:
    _, shown, _ = here("watch", "--help")
    assert "never turn your back on the sea" in " ".join(shown.split())
    examples = [line.split() for line in shown.splitlines() if line.strip().startswith("windstill watch FOLDER")]
    assert len(examples) == 2
    folder = tmp_path / "FOLDER"
    folder.mkdir()
    watch = watching(folder, *examples[1][3:])
    assert watch.out == tmp_path / "REVIEW"
    for path in [*bursts[1][:1], *bursts[0]]:
        shutil.copy2(path, folder)
        time.sleep(0.1)
    time.sleep(3)
    before = states(folder)
    status, error = watch.end(signal.SIGTERM)
    assert status == 3, (error, watch.said)
    assert any("reshoot" in line and "THFT0001" in line for line in watch.said)
    assert any(line.startswith("report: ") for line in watch.said)
    assert (watch.out / "report.html").is_file()
    assert states(folder) == before


def test_a_card_taken_out_is_waited_for(
    bursts: list[list[Path]], tmp_path: Path, watching: Callable[..., Watching]
) -> None:
    card = tmp_path / "card"
    card.mkdir()
    shutil.copy2(bursts[2][0], card)
    watch = watching(card, "--gap", "3")
    card.rename(tmp_path / "out-of-the-reader")
    watch.until("the folder is gone")
    (tmp_path / "out-of-the-reader").rename(card)
    watch.until("the folder is back")
    for path in bursts[1]:
        shutil.copy2(path, card)
    watch.until("go on .*THFT0004")
    shutil.rmtree(card)
    watch.until("the folder is gone")
    status, error = watch.end()
    assert status == 1
    assert [line for line in error.splitlines() if line.startswith("windstill: ")] == [error.strip()]
    assert "windstill review" in error


def test_out_inside_the_folder_is_refused(tmp_path: Path, here: Here) -> None:
    (tmp_path / "tether").mkdir()
    status, said, error = here("watch", tmp_path / "tether", "--out", tmp_path / "tether" / "review")
    assert (status, said) == (2, "")
    assert "inside the shoot folder" in error
    assert list((tmp_path / "tether").iterdir()) == []
    assert here("watch", tmp_path / "none")[0] == 2
