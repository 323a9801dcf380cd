"""Results are computed once for the files as they are, and anew when a file changes."""

from __future__ import annotations

import threading
import time

import pytest

from workbench.app.held import held, stamp, warm
from workbench.app.jobs import Job, Stopped
from workbench.errors import StudyError, UsageError
from workbench.store.opening import open_store
from workbench.store.operations import new_operation
from workbench.study import open_study


def test_a_result_is_made_once_for_all_who_ask_at_the_same_time(small):
    made = []

    def slow() -> int:
        made.append(1)
        time.sleep(0.1)
        return len(made)

    found: list[int] = []
    asking = [threading.Thread(target=lambda: found.append(held(small).once("slow", slow))) for _ in range(5)]
    for one in asking:
        one.start()
    for one in asking:
        one.join()
    assert found == [1] * 5


def test_a_fault_of_the_files_is_held_and_any_other_is_tried_again(small):
    tries = []

    def faulty() -> None:
        tries.append(1)
        raise UsageError("no")

    def broken() -> None:
        tries.append(1)
        raise RuntimeError("once more")

    for work, error, times in ((faulty, UsageError, 1), (broken, RuntimeError, 2)):
        tries.clear()
        for _ in range(2):
            with pytest.raises(error):
                held(small).once(work.__name__, work)
        assert len(tries) == times


def test_the_stamp_changes_with_the_files_and_not_with_results_or_decisions(small):
    before = stamp(small)
    (small / "results").mkdir()
    (small / "results" / "report.html").write_text("x")
    (small / "decisions.sqlite").write_text("x")
    (small / ".study-aside.toml").write_text("x")
    assert stamp(small) == before
    (small / "calm.csv").write_text((small / "calm.csv").read_text() + "\n")
    assert stamp(small) != before


def test_a_folder_that_is_gone_is_said_to_be(small):
    with pytest.raises(UsageError, match="no longer there"):
        stamp(small / "nowhere")


def test_warming_a_broken_study_does_no_harm(small):
    (small / "study.toml").write_text("broken")
    warm(small)
    with pytest.raises(StudyError):
        _ = held(small).evidence


def test_a_job_tells_how_far_it_is_and_stops_when_asked():
    going = threading.Event()

    def work(progress) -> None:
        while True:
            progress(1, 4)
            going.set()
            time.sleep(0.005)

    job = Job(work)
    assert going.wait(5)
    assert job.share == 0.25
    job.stop()
    job.wait(5)
    assert not job.running
    assert isinstance(job.error, Stopped)


def test_a_job_keeps_its_result_or_its_error():
    done = Job(lambda progress: 7)
    done.wait(5)
    assert (done.result, done.share, done.error) == (7, 1.0, None)
    failed: Job[float] = Job(lambda progress: 1 / 0)
    failed.wait(5)
    assert isinstance(failed.error, ZeroDivisionError)


def test_results_follow_what_everybody_may_see_and_not_what_a_rater_codes(small):
    study = open_study(small)
    before = held(small).stamp
    with open_store(study) as journal:
        journal.record([new_operation("R1", "coding", "k", {"unit": "u"}, round="rely")])
        assert held(small).stamp == before
        journal.record([new_operation("R1", "permission", "A01", {"quotes": False}, why="a letter")])
    after = held(small).stamp
    assert after != before
    assert held(small).stamp == after
