"""A batch goes on where it stopped, survives what happens to its workers, and writes what single runs write."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import torture_stand_in as stand_in

from mineralize.base import InputError, OutputError, UsageError
from mineralize.batch import engine, find, job, lock, tables, work
from mineralize.batch.job import Died, Done, Report
from mineralize.cases import Request, one
from mineralize.cli import many
from mineralize.results import tables as one_table

ROOT = Path(__file__).parents[2]
ENTRY = "torture_stand_in"
TEMPLATE = Request(Path())


@pytest.fixture(autouse=True)
def stood_in(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """The stand-ins, taken away again."""
    names = ("draw", "render_pdf", "read_timeline", "analyse", "export_key")
    kept = {name: getattr(one, name) for name in names}
    outside = [(stand_in.seg, "write"), (stand_in.sr, "write"), (stand_in.commands, "Progress")]
    outside.append((stand_in.recorded, "datetime"))
    before = [(module, name, getattr(module, name)) for module, name in outside]
    stand_in.install()
    yield
    for name, value in kept.items():
        setattr(one, name, value)
    for module, name, value in before:
        setattr(module, name, value)
    stand_in._installed = False


def make(root: Path, **cases: str) -> Path:
    for name, what in cases.items():
        (root / name).mkdir(parents=True)
        (root / name / "scan").write_text(name, encoding="utf-8")
        (root / name / "what").write_text(what, encoding="utf-8")
    return root


def run(root: Path, out: Path, jobs: int = 1, **more: Any) -> list[Report]:
    return work.run(root, out, TEMPLATE, work.How(jobs=jobs, entry=ENTRY, **more))


def files(folder: Path) -> dict[str, bytes]:
    found = {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}
    return {name: data for name, data in found.items() if not name.startswith((".mineralize-cases/", ".died"))}


def results(folder: Path) -> dict[str, bytes]:
    """Without the marker of the whole folder, which holds a secret of its own."""
    return {name: data for name, data in files(folder).items() if name != ".mineralize"}


def times(folder: Path) -> dict[str, int]:
    return {p.relative_to(folder).as_posix(): p.stat().st_mtime_ns for p in folder.glob("case-*/*") if p.is_file()}


# -- which cases, by which names


def test_a_case_that_comes_in_between_renames_no_other(tmp_path: Path) -> None:
    root, out = make(tmp_path / "root", anna="", carl=""), tmp_path / "out"
    assert [r.name for r in run(root, out)] == ["case-001", "case-002"]
    before = times(out)
    make(root, bert="")
    reports = run(root, out)
    assert [(r.name, r.position) for r in reports] == [("case-001", 1), ("case-003", 2), ("case-002", 3)]
    assert {name: at for name, at in times(out).items() if name in before} == before
    everything = "".join(files(out)) + b"".join(files(out).values()).decode("utf-8", "replace")
    assert not any(name in everything for name in ("anna", "bert", "carl"))


def test_aliases_name_cases_once(tmp_path: Path) -> None:
    root, out = make(tmp_path / "root", a="", b="", c=""), tmp_path / "out"
    (root / "a" / "case.toml").write_text('alias = "K 1"\n', encoding="utf-8")
    (root / "b" / "case.toml").write_text('alias = "K-2"\n', encoding="utf-8")
    assert [r.name for r in run(root, out)] == ["K-1", "K-2", "case-003"]
    (root / "c" / "case.toml").write_text('alias = "k-1"\n', encoding="utf-8")
    assert [r.name for r in run(root, out)] == ["K-1", "K-2", "case-003"]


def test_a_pipe_or_a_device_as_case_file_is_passed_over(tmp_path: Path) -> None:
    """A pipe would be waited for, for ever."""
    os.mkfifo(tmp_path / "case.toml")
    assert find.alias_of(tmp_path) == ""
    assert find.content(tmp_path) == find.content(tmp_path)
    (tmp_path / "case.toml").unlink()
    (tmp_path / "case.toml").symlink_to("/dev/zero")
    assert find.alias_of(tmp_path) == ""


def test_a_table_of_cases(tmp_path: Path) -> None:
    make(tmp_path / "root", one="", two="")
    table = tmp_path / "cases.csv"
    table.write_text("path,case\nroot/two,K/2\nroot/one,K-1\n", encoding="utf-8")
    assert [r.name for r in run(table, tmp_path / "out")] == ["K-2", "K-1"]
    for text, fault in (
        ("path\nx\n", "columns"),
        ("case,path\nK,\n", "line 2"),
        ("case,path\nK,x\nk,y\n", "line 2"),
        ("case,path\n", "no case"),
        ('case,path\n"K,x\n', "cannot be read"),
    ):
        table.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=fault):
            run(table, tmp_path / "other")


# -- what is done stays, what changed is measured anew


def test_only_what_changed_is_measured_anew(tmp_path: Path) -> None:
    root, out = make(tmp_path / "root", a="", b="", c="refuse"), tmp_path / "out"
    run(root, out)
    first, before = files(out), times(out)
    run(root, out)
    assert files(out) == first
    assert times(out) == before

    os.utime(root / "a" / "scan")  # touched, not changed
    run(root, out)
    assert times(out) == before

    (root / "b" / "new scan").write_text("x", encoding="utf-8")
    run(root, out)
    changed = {name.split("/")[0] for name, at in times(out).items() if before[name] != at}
    assert changed == {"case-002"}

    before = times(out)
    state = (root / "a" / "scan").stat()
    (root / "a" / "scan").write_text("b", encoding="utf-8")  # same size, and the time put back
    os.utime(root / "a" / "scan", ns=(state.st_atime_ns, state.st_mtime_ns))
    run(root, out)
    assert {name.split("/")[0] for name, at in times(out).items() if before[name] != at} == {"case-001"}

    before = times(out)
    work.run(root, out, Request(Path(), sealed=True), work.How(entry=ENTRY))
    assert all(times(out).get(name) != at for name, at in before.items())


@pytest.mark.parametrize("text", ["", "[" * 100_000, "[]", '"x"', '{"report": 3}', "elsewhere", "wrong kind"])
def test_a_damaged_state_is_measured_anew(tmp_path: Path, text: str) -> None:
    root, out = make(tmp_path / "root", a=""), tmp_path / "out"
    run(root, out)
    before = results(out)
    (state,) = (out / ".mineralize-cases").glob("*.json")
    held = json.loads(state.read_text(encoding="utf-8"))
    if text == "elsewhere":
        text = json.dumps(held | {"name": "../elsewhere"})
    if text == "wrong kind":
        text = json.dumps(held | {"report": held["report"] | {"exit_code": "5"}})
    state.write_text(text, encoding="utf-8")
    assert [r.exit_code for r in run(root, out)] == [5]
    assert results(out) == before
    assert not (tmp_path / "elsewhere").exists()


def test_results_that_are_gone_are_made_again(tmp_path: Path) -> None:
    root, out = make(tmp_path / "root", a="", b=""), tmp_path / "out"
    run(root, out)
    first, before = results(out), times(out)
    (out / "case-001" / "summary.html").unlink()
    run(root, out)
    assert results(out) == first
    assert {name for name, at in times(out).items() if before[name] != at} == {
        name for name in before if name.startswith("case-001/")
    }


def test_a_case_that_is_gone_is_a_row_and_in_no_table(tmp_path: Path) -> None:
    root, out = make(tmp_path / "root", a="", b=""), tmp_path / "out"
    run(root, out)
    (root / "a").rename(tmp_path / "elsewhere")
    assert [r.name for r in run(root, out)] == ["case-002"]
    rows = {row["case"]: row["state"] for row in one_table.read(out / "cases.csv", tables.COLUMNS)}
    assert rows == {"case-001": "gone", "case-002": "done"}
    assert (out / "case-001" / "summary.html").exists()
    assert {row["case"] for row in one_table.read(out / "measurements.csv")} == {"case-002"}
    make(root, c="")
    assert [r.name for r in run(root, out)] == ["case-002", "case-003"]


def test_a_table_that_was_edited_is_never_replaced(tmp_path: Path) -> None:
    root, out = make(tmp_path / "root", a=""), tmp_path / "out"
    run(root, out)
    (out / "cases.csv").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="changed since"):
        run(root, out)
    assert (out / "cases.csv").read_text(encoding="utf-8") == "mine"
    (tmp_path / "home").mkdir()
    (tmp_path / "home" / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="did not write"):
        run(root, tmp_path / "home")
    assert os.listdir(tmp_path / "home") == ["letter.txt"]


# -- workers


@pytest.fixture(params=["processes", "dask"])
def cluster(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> str:
    if request.param == "dask":
        pytest.importorskip("distributed")
        if not os.environ.get("MINERALIZE_CLUSTER"):
            pytest.skip("needs minutes and an idle machine: set MINERALIZE_CLUSTER=1 to start a local Dask cluster")
    else:
        monkeypatch.setattr(engine, "find_spec", lambda name: None)
    return str(request.param)


@pytest.mark.slow
def test_side_by_side_equals_alone_and_survives_its_workers(cluster: str, tmp_path: Path) -> None:
    """One is killed once, one always, one is refused, one has a fault; nobody else suffers."""
    whats = {"a": "", "b": "die once", "c": "refuse", "d": "fault", "e": "die", "f": "ask", "g": "sleep"}
    root = make(tmp_path / "root", **whats)
    reports = run(root, tmp_path / "out", jobs=2)
    assert [r.exit_code for r in reports] == [5, 5, 4, 4, 4, 3, 5]
    assert "ended from outside" in reports[4].message
    assert "RuntimeError" in reports[3].message
    assert [r.state for r in reports] == ["done", "done", "refused", "failed", "failed", "needs an answer", "done"]
    (root / "e" / "what").write_text("refuse", encoding="utf-8")  # or it would kill this process
    (root / "b" / "what").write_text("", encoding="utf-8")
    alone = tmp_path / "alone"
    run(root, alone)
    for name in ("case-001", "case-007"):
        assert files(tmp_path / "out" / name) == files(alone / name)


@pytest.mark.slow
def test_a_cluster_that_is_there_already_gives_equal_tables(tmp_path: Path) -> None:
    """A scheduler and two workers of their own processes, started from the command line."""
    pytest.importorskip("distributed")
    root = make(tmp_path / "root", a="", b="sleep", c="refuse")
    address = tmp_path / "scheduler.json"
    environment = os.environ | {"PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "tests")])}
    common = [sys.executable, "-m", "distributed.cli"]
    options = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "env": environment, "cwd": tmp_path}
    scheduler = subprocess.Popen(
        [*common[:2], "distributed.cli.dask_scheduler", "--port", "0", "--no-dashboard", "--host", "127.0.0.1",
         "--scheduler-file", str(address)], **options,
    )  # fmt: skip
    workers = [
        subprocess.Popen(
            [*common[:2], "distributed.cli.dask_worker", "--scheduler-file", str(address), "--nthreads", "1",
             "--no-dashboard", "--local-directory", str(tmp_path / f"worker{n}")], **options,
        ) for n in range(2)
    ]  # fmt: skip
    try:
        end = time.monotonic() + 300
        while not address.exists() and time.monotonic() < end:
            time.sleep(0.1)
        where = json.loads(address.read_text(encoding="utf-8"))["address"]
        reports = run(root, tmp_path / "out", scheduler=where)
    finally:
        for process in [*workers, scheduler]:
            process.terminate()
            process.wait()
    assert [r.exit_code for r in reports] == [5, 5, 4]
    run(root, tmp_path / "alone")
    assert results(tmp_path / "out") == results(tmp_path / "alone")


def test_a_cluster_that_cannot_be_had(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = make(tmp_path / "root", a="")
    monkeypatch.setattr(engine, "find_spec", lambda name: None)
    with pytest.raises(UsageError, match=r"mineralize\[cluster\]"):
        run(root, tmp_path / "out", scheduler="tcp://127.0.0.1:1")


class _Watched:
    """An engine that answers when asked, and remembers what ran together."""

    def __init__(self, slots: int, budget_mib: float, needs: dict[int, float]) -> None:
        self.slots, self.budget_mib, self._needs = slots, budget_mib, needs
        self._open: list[tuple[int, str, job.Job]] = []
        self.together: list[set[int]] = []

    def start(self, ticket: int, kind: str, given: job.Job) -> None:
        self._open.append((ticket, kind, given))
        running = {t for t, k, _ in self._open if k == "run"}
        if running:
            self.together.append(running)

    def wait(self) -> list[tuple[int, Any]]:
        ticket, kind, given = self._open.pop(0)
        if kind == "need":
            return [(ticket, self._needs[ticket])]
        return [(ticket, Done(Report(given.name, given.position, 4, 0, 0, 0, "x"), "", ""))]

    def close(self) -> None:
        pass


def test_a_huge_case_runs_alone(tmp_path: Path) -> None:
    needs = {0: 300.0, 1: 5000.0, 2: 300.0, 3: 600.0, 4: 300.0, 5: 300.0}
    root = make(tmp_path / "root", **dict.fromkeys("abcdef", ""))
    crew = _Watched(3, 1000.0, needs)
    found = find.find(root)
    reports = work.run_found(found, tmp_path / "out", TEMPLATE, work.How(jobs=3), using=crew)
    assert len(reports) == 6
    assert all(sum(needs[case] for case in group) <= 1000.0 or group == {1} for group in crew.together)
    assert {1} in crew.together
    assert max(len(group) for group in crew.together) >= 2


def test_cases_side_by_side_share_the_cores(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each case is granted its share of what the batch may use; on a cluster its worker says, as nobody else can."""
    monkeypatch.setattr(work, "cores", lambda: 8)
    root = make(tmp_path / "root", a="", b="", c="")

    def granted(slots: int, **more: Any) -> set[int | None]:
        given: set[int | None] = set()

        class Heard(_Watched):
            def start(self, ticket: int, kind: str, told: job.Job) -> None:
                given.add(told.request.jobs)
                super().start(ticket, kind, told)

        how = work.How(jobs=slots, **more)
        out = tmp_path / f"out-{slots}-{len(more)}"
        work.run_found(find.find(root), out, TEMPLATE, how, using=Heard(slots, 1000.0, dict.fromkeys(range(3), 1.0)))
        return given

    assert granted(1) == {8}
    assert granted(2) == {4}
    assert granted(16) == {2}  # three cases
    assert granted(1, cores=1) == {1}
    assert granted(2, cores=2) == {1}
    assert granted(2, scheduler="tcp://there") == {None}


def test_one_that_failed_is_tried_once_more_alone(tmp_path: Path) -> None:
    root = make(tmp_path / "root", a="", b="")
    tried: list[int] = []

    class Unlucky(_Watched):
        def wait(self) -> list[tuple[int, Any]]:
            ticket, _, given = self._open.pop(0)
            tried.append(ticket)
            if ticket == 0:
                return [(ticket, Died())]
            return [(ticket, Done(Report(given.name, given.position, 0, 1, 0, 0, ""), "", ""))]

    crew = Unlucky(2, 1000.0, {})
    crew.budget_mib = None  # type: ignore[assignment]
    reports = work.run_found(find.find(root), tmp_path / "out", TEMPLATE, work.How(jobs=2), using=crew)
    assert tried == [0, 1, 0]
    assert [r.exit_code for r in reports] == [4, 0]


# -- one run at a time


def test_two_runs_into_one_folder(tmp_path: Path) -> None:
    root, out = make(tmp_path / "root", a=""), tmp_path / "out"
    with lock.held(out), pytest.raises(OutputError, match=rf"process {os.getpid()} on "):
        run(root, out)
    run(root, out)
    assert not (out / lock.LOCK).exists()


@pytest.mark.parametrize("system_lock", [True, False], ids=["flock", "no flock"])
def test_a_lock_whose_holder_is_gone_is_taken_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, system_lock: bool
) -> None:
    if not system_lock:
        monkeypatch.setattr(lock, "hold", lambda path: None)
    with subprocess.Popen([sys.executable, "-c", ""]) as gone:
        gone.wait()
    held_by = {"process": gone.pid, "host": lock.socket.gethostname()}
    (tmp_path / lock.LOCK).write_text(json.dumps(held_by), encoding="utf-8")
    with lock.held(tmp_path):
        assert json.loads((tmp_path / lock.LOCK).read_text(encoding="utf-8"))["process"] == os.getpid()


def test_a_lock_of_another_machine(tmp_path: Path) -> None:
    """It counts while it is touched; then it does not."""
    path = tmp_path / lock.LOCK
    path.write_text(json.dumps({"process": 7, "host": "ward-3"}), encoding="utf-8")
    with pytest.raises(OutputError, match="process 7 on ward-3"), lock.held(tmp_path):
        pass
    old = time.time() - lock.STALE_SECONDS - 1
    os.utime(path, (old, old))
    with lock.held(tmp_path):
        pass


# -- where it stands


def test_cases_csv_tells_where_a_run_stands(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tables, "MOST_OFTEN_SECONDS", 0.0)
    monkeypatch.setattr(tables, "SHARE_OF_TIME", 1e9)
    root, out = make(tmp_path / "root", a="", b="", c=""), tmp_path / "out"
    seen: list[list[str]] = []
    told: list[str] = []

    def look(standing: work.Standing) -> None:
        seen.append([row["state"] for row in one_table.read(out / "cases.csv", tables.COLUMNS)])
        told.append(many.note(standing))

    work.run(root, out, TEMPLATE, work.How(entry=ENTRY), on_standing=look)
    assert ["waiting", "waiting", "waiting"] in seen
    assert ["done", "running", "waiting"] in seen
    assert seen[-1] == ["done", "done", "done"]
    assert any(note.startswith("1 done, 1 running, about ") for note in told)


def test_progress_says_what_is_left() -> None:
    counts = work.Counter({"done": 3, "failed": 1, "waiting": 4})
    assert many.note(work.Standing(8, counts, 600.0)) == "3 done, 1 failed, about 10 min left"
    assert work.Standing(8, counts).done == 4


# -- arrivals


def arrive(root: Path, name: str, patient: str, text: str = "x") -> None:
    (root / name).mkdir(parents=True, exist_ok=True)
    (root / name / "patient").write_text(patient, encoding="utf-8")
    (root / name / text).write_text(text, encoding="utf-8")


def watched(root: Path, out: Path, acts: list[Callable[[], None]], settle: float = 0.0) -> list[list[Report]]:
    """The reports of every pass; one act is done after each."""
    from mineralize.batch import watch

    rounds: list[list[Report]] = []

    def after(reports: list[Report]) -> bool:
        rounds.append(reports)
        if not acts:
            return True
        acts.pop(0)()
        return False

    how = work.How(entry=ENTRY)
    watch(root, out, TEMPLATE, how, settle_seconds=settle, pause_seconds=0.01, on_round=after)
    return rounds


def test_a_study_joins_the_case_of_its_patient(tmp_path: Path) -> None:
    root, out = tmp_path / "root", tmp_path / "out"
    arrive(root, "2026-01", "17")
    arrive(root, "2026-02", "18")

    def bad() -> None:
        make(root, broken="refuse")

    rounds = watched(root, out, [lambda: arrive(root, "2026-03", "17"), lambda: None, bad, lambda: None])
    assert [r.name for r in rounds[0]] == ["case-001", "case-002"]
    assert [r.name for r in rounds[1]] == ["case-001", "case-002"]
    assert rounds[2] == []  # nothing new
    state = {row["case"]: row["state"] for row in one_table.read(out / "cases.csv", tables.COLUMNS)}
    assert state == {"case-001": "done", "case-002": "done", "case-003": "set aside"}
    assert "empty" in rounds[3][-1].message
    joined = json.loads((out / "case-001" / "history.json").read_text(encoding="utf-8"))
    single = json.loads((out / "case-002" / "history.json").read_text(encoding="utf-8"))
    assert joined["provenance"]["input_sha256"] != single["provenance"]["input_sha256"]
    held = "".join(p.read_text(encoding="utf-8") for p in (out / ".mineralize-cases").iterdir())
    assert "2026" not in held + (out / ".mineralize").read_text(encoding="utf-8")


def test_a_study_that_still_arrives_is_waited_for(tmp_path: Path) -> None:
    root, out = tmp_path / "root", tmp_path / "out"
    arrive(root, "one", "17")
    rounds = watched(root, out, [lambda: None], settle=3600.0)
    assert rounds[0] == []
    assert [row["state"] for row in one_table.read(out / "cases.csv", tables.COLUMNS)] == ["arriving"]


def test_a_watch_is_stopped_and_leaves_no_lock(tmp_path: Path) -> None:
    root, out = tmp_path / "root", tmp_path / "out"
    arrive(root, "one", "17")

    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        watched(root, out, [stop])
    assert not (out / lock.LOCK).exists()
    assert threading.active_count() < 20
