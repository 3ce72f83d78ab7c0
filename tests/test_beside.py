"""Requirements judged in other processes beside this one: the same answers, and what goes wrong with a process."""

from __future__ import annotations

import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from safetymodel import pipeline
from safetymodel.claims import beside, process
from safetymodel.claims.beside import Job, Shared
from safetymodel.claims.clock import Clock
from safetymodel.claims.judge import judge
from safetymodel.claims.verdict import EngineDisagreement, Judgement
from safetymodel.explore import arranging
from safetymodel.explore.choice import Explored, explore
from safetymodel.explore.engine import no_limit
from safetymodel.insight.necessity import search
from safetymodel.insight.necessity.effects import Necessity
from safetymodel.insight.necessity.search import necessity
from safetymodel.insight.review import Review
from safetymodel.model.build import load
from safetymodel.model.system import Requirement, System

SPECS = Path(__file__).resolve().parent.parent / "specs"


@pytest.fixture(scope="module")
def explored() -> tuple[System, Explored]:
    system, problems = load(str(SPECS / "two-channel-estop.yaml"))
    assert system is not None, problems
    return system, explore(system, (0, 1), "symbolic")


@pytest.fixture(scope="module")
def hatch() -> Explored:
    system, problems = load(str(SPECS / "two-door-hatch.yaml"))
    assert system is not None, problems
    return explore(system, pipeline.budgets_of(system, None), "symbolic")


def jobs_of(system: System) -> list[Job]:
    return [Job(requirement, budget) for budget in (0, 1) for requirement in system.requirements]


def tell(requirement: Requirement) -> None:
    """Nothing is said."""


def as_judged_here(system: System, explored: Explored) -> tuple[Judgement, ...]:
    for space in explored.spaces.values():
        space.on_work = no_limit  # whatever the clock of an earlier test said
    return tuple(judge(explored.spaces[job.budget], job.requirement) for job in jobs_of(system))


def waits_for_the_others(self: beside.Beside[object, object]) -> int | None:
    """Nothing is done here but what must be: the rest has to come from there."""
    with self._moved:
        while not self._wrong and len(self._done) < len(self._jobs):
            number = next((n for n in self._waiting if self._only_here(self._jobs[n])), None)
            if number is not None:
                self._waiting.remove(number)
                return number
            assert self._moved.wait(60)
        self._offered.clear()
        return None


def faked(program: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", program], stdin=subprocess.PIPE, stdout=subprocess.PIPE)


def test_another_process_gives_the_same_judgements(
    explored: tuple[System, Explored], monkeypatch: pytest.MonkeyPatch
) -> None:
    system, found = explored
    jobs = jobs_of(system)
    monkeypatch.setattr(beside.Beside, "_next_here", waits_for_the_others)
    monkeypatch.setattr(beside, "judge", None)
    with Shared(found.spaces, jobs, Clock(), 1) as shared:
        judged = shared.judged(tell)
    assert judged == as_judged_here(system, found)
    assert all(judgement.requirement is job.requirement for judgement, job in zip(judged, jobs, strict=True))


def test_a_process_that_breaks_down_costs_nothing(
    explored: tuple[System, Explored], monkeypatch: pytest.MonkeyPatch
) -> None:
    system, found = explored
    # one that ends at once, one that answers something else, and one that ends in the middle of a requirement
    for program in (
        "raise SystemExit(3)",
        "print('Hello')",
        "import pickle, sys; i, o = sys.stdin.buffer, sys.stdout.buffer; pickle.load(i); pickle.dump('ready', o); "
        "o.flush(); pickle.load(i)",
    ):
        monkeypatch.setattr(process, "start", lambda program=program: faked(program))
        with Shared(found.spaces, jobs_of(system), Clock(), 1) as shared:
            assert shared.judged(tell) == as_judged_here(system, found)


def test_what_is_offered_is_done_where_nobody_has_anything_else_to_do(
    explored: tuple[System, Explored], monkeypatch: pytest.MonkeyPatch
) -> None:
    system, found = explored
    first, second, offered, refused = ((number, 1) for number in range(4))
    # it takes one job, and breaks down over it while another is done here
    program = (
        "import pickle, sys, time; i, o = sys.stdin.buffer, sys.stdout.buffer; pickle.load(i); "
        "pickle.dump('ready', o); o.flush(); pickle.load(i); time.sleep(1)"
    )
    monkeypatch.setattr(process, "start", lambda: faked(program))
    with Shared(found.spaces, jobs_of(system), Clock(), 1) as shared:
        work = shared.beside
        work.begin([first, second], Clock())

        def wait(job: object) -> None:
            while job == first and work._waiting:
                time.sleep(0.01)

        work.offer(offered)
        answers = work.finish(wait)
        assert work.jobs == (first, second, offered)
        for space in found.spaces.values():
            space.on_work = no_limit
        asked = [system.requirements[number] for number, _ in work.jobs if isinstance(number, int)]
        assert answers == tuple(judge(found.spaces[1], requirement) for requirement in asked)
        work.begin([first], Clock())  # nobody is beside any more
        work.offer(refused)
        assert work.finish() == answers[:1]
        assert work.jobs == (first,)


def test_a_run_that_does_not_hold_there_is_told_here(
    explored: tuple[System, Explored], monkeypatch: pytest.MonkeyPatch
) -> None:
    system, found = explored
    program = (
        "import pickle, sys; i, o = sys.stdin.buffer, sys.stdout.buffer; pickle.load(i); pickle.dump('ready', o); "
        "o.flush(); pickle.load(i); pickle.dump((False, 'X: not a run'), o); o.flush(); pickle.load(i)"
    )
    monkeypatch.setattr(beside.Beside, "_next_here", waits_for_the_others)
    monkeypatch.setattr(process, "start", lambda: faked(program))
    shared = Shared(found.spaces, jobs_of(system), Clock(), 1)
    with shared, pytest.raises(EngineDisagreement, match="X: not a run"):
        shared.judged(tell)


def test_an_interruption_leaves_no_process_behind(explored: tuple[System, Explored]) -> None:
    system, found = explored

    def interrupt(requirement: Requirement) -> None:
        raise KeyboardInterrupt

    shared = Shared(found.spaces, jobs_of(system), Clock(), 2)
    assert shared.beside._directory is not None
    directory = Path(shared.beside._directory.name)
    assert directory.is_dir()
    with pytest.raises(KeyboardInterrupt), shared:
        shared.judged(interrupt)
    assert all(process.poll() is not None for process in shared.beside._processes)
    assert not directory.exists()


def test_no_time_is_no_verdict(explored: tuple[System, Explored]) -> None:
    system, found = explored
    with Shared(found.spaces, jobs_of(system), Clock(0.0), 1) as shared:
        judged = shared.judged(tell)
    for judgement, usual in zip(judged, as_judged_here(system, found), strict=True):
        assert judgement.word in (usual.word, "undecided")
    assert any(judgement.word == "undecided" for judgement in judged)


def fields(found: Necessity) -> list[tuple[object, ...]]:
    return [(e.change, e.known, e.differs, e.more, e.chatters, e.notices, e.trace) for e in found.effects]


def test_necessity_with_several_processes_is_necessity(hatch: Explored, monkeypatch: pytest.MonkeyPatch) -> None:
    for everything in (False, True):
        one = necessity(hatch.spaces, everything=everything)
        with monkeypatch.context() as patch:
            patch.setattr(beside.Beside, "_next_here", waits_for_the_others)
            several = necessity(hatch.spaces, everything=everything, processes=3)
        assert fields(several) == fields(one)
        assert (several.unmirrored, several.shortfall) == (one.unmirrored, one.shortfall)
        assert any(effect.noticed for effect in one.effects)
    monkeypatch.setattr(process, "start", lambda: faked("raise SystemExit(3)"))
    assert fields(necessity(hatch.spaces, everything=True, processes=2)) == fields(one)


def test_necessity_without_time_is_not_known_there_either(hatch: Explored, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(beside.Beside, "_next_here", waits_for_the_others)
    none = necessity(hatch.spaces, rest=lambda: Clock(0.0), processes=2)
    assert none.shortfall
    assert not any(effect.known for effect in none.effects)
    parts = necessity(hatch.spaces, more=lambda: Clock(0.0), processes=2)
    assert parts.shortfall
    assert {effect.change.kind for effect in parts.effects if effect.known} == {"part"}


def test_necessity_in_another_order_of_bits_is_necessity(hatch: Explored, monkeypatch: pytest.MonkeyPatch) -> None:
    usual = necessity(hatch.spaces)
    monkeypatch.setattr(arranging, "CROWDED", 1)
    orders = []
    symbolic = search._symbolic

    def noted(*given: Any) -> Any:
        space, record = symbolic(*given)
        orders.append(space.symbolic.encoding.order)
        return space, record

    monkeypatch.setattr(search, "_symbolic", noted)
    for worth in (0.0, 1.0):  # nothing is better enough, everything is
        monkeypatch.setattr(arranging, "WORTH_MOVING", worth)
        for processes in (1, 2):
            assert fields(necessity(hatch.spaces, processes=processes)) == fields(usual)
    assert orders[:2] == [hatch.spaces[0].symbolic.encoding.order] * 2  # type: ignore[attr-defined]
    assert orders[2] == orders[3] != orders[0]


def test_review_with_several_processes_is_review() -> None:
    path = str(SPECS / "two-channel-estop.yaml")
    one = pipeline.review_spec(path, engine="symbolic", jobs=1)
    two = pipeline.review_spec(path, engine="symbolic", jobs=2)
    assert isinstance(one, Review)
    assert isinstance(two, Review)
    spent = replace(one.necessity, seconds=0.0) if one.necessity else None
    assert two.necessity is not None
    assert replace(two.necessity, seconds=0.0) == spent
    assert replace(two, seconds=0.0, necessity=None) == replace(one, seconds=0.0, necessity=None)


def test_verify_with_several_processes_is_verify() -> None:
    one = pipeline.verify(str(SPECS / "two-channel-estop.yaml"), 2, "symbolic", second_opinion="off", jobs=1)
    two = pipeline.verify(str(SPECS / "two-channel-estop.yaml"), 2, "symbolic", second_opinion="off", jobs=2)
    assert isinstance(one, pipeline.Run)
    assert isinstance(two, pipeline.Run)
    assert len(one.judgements) > 3
    assert [j.word for j in one.judgements] == [j.word for j in two.judgements]
    assert [j.trace for j in one.judgements] == [j.trace for j in two.judgements]


def test_a_process_that_was_started_early_is_the_one_that_works(
    explored: tuple[System, Explored], monkeypatch: pytest.MonkeyPatch
) -> None:
    system, found = explored
    monkeypatch.setattr(process, "SOON", 0.0)
    monkeypatch.setattr(beside.Beside, "_next_here", waits_for_the_others)
    with process.Spare(1) as spare:
        spare.look()  # time counts from here
        spare.look()
        monkeypatch.setattr(process, "start", None)  # no other is needed
        with Shared(found.spaces, jobs_of(system), Clock(), 1, spare) as shared:
            assert shared.judged(tell) == as_judged_here(system, found)
        assert spare.take() is None


def test_what_nobody_takes_is_ended(monkeypatch: pytest.MonkeyPatch) -> None:
    started = []

    def started_one() -> subprocess.Popen[bytes]:
        started.append(faked("import sys; sys.stdin.buffer.read()"))
        return started[-1]

    monkeypatch.setattr(process, "start", started_one)
    monkeypatch.setattr(process, "SOON", 0.0)
    with process.Spare(3) as spare:
        spare.look()
        assert not started
        spare.look()
        spare.look()
        assert len(started) == 3
        assert spare.take() is started[2]
    assert [each.poll() is None for each in started] == [False, False, True]
    started[2].communicate()


def test_where_none_can_be_started_early_none_is(
    explored: tuple[System, Explored], monkeypatch: pytest.MonkeyPatch
) -> None:
    system, found = explored

    def refused() -> subprocess.Popen[bytes]:
        raise OSError("no more processes")

    monkeypatch.setattr(process, "start", refused)
    monkeypatch.setattr(process, "SOON", 0.0)
    with process.Spare(1) as spare:
        spare.look()
        spare.look()
        with Shared(found.spaces, jobs_of(system), Clock(), 1, spare) as shared:
            assert shared.judged(tell) == as_judged_here(system, found)


@pytest.mark.parametrize(
    ("jobs", "memory", "most"), [(None, None, 3), (1, None, 0), (2, None, 1), (9, None, 3), (4, 10**9, 0)]
)
def test_as_many_are_started_early_as_there_may_be(
    jobs: int | None, memory: int | None, most: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "at_once", lambda: 4)
    monkeypatch.setattr(process, "SOON", 0.0)
    monkeypatch.setattr(process, "start", lambda: faked(""))
    with process.spare_for(jobs, memory) as spare:
        spare.look()
        spare.look()
        ready = [spare.take() for _ in range(most)]
        assert None not in ready
        assert spare.take() is None
    for each in ready:
        assert each is not None
        each.communicate()


def test_the_symbolic_engine_tells_that_it_goes_on(explored: tuple[System, Explored]) -> None:
    system, _ = explored
    for engine, told in (("symbolic", True), ("product", False)):
        calls: list[int] = []
        explore(system, (0,), engine, on_sets=lambda calls=calls: calls.append(1))  # type: ignore[arg-type, misc]
        assert bool(calls) == told
