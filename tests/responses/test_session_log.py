"""The session log: orders as run, and what makes a log unreadable."""

from __future__ import annotations

from study_folders import faults_of, kinds, sheet, study_in

from workbench.responses.session_log import read_session_log


def logged(folder, *rows: str):
    return study_in(
        folder,
        files={"log.csv": sheet("participant position condition", *rows)},
        session_log={"file": "log.csv"},
        pilots=["P01"],
    )


def order_of(log, participant):
    """The conditions a participant ran, in order."""
    return log.runs[log.runs["participant"] == participant].sort_values("position")["condition"].tolist()


def test_orders_follow_positions_and_conditions_follow_their_words(tmp_path):
    log = read_session_log(logged(tmp_path, "A01 2 still", "A01 1 SLOSH", "A02 1 still", "P01 1 still"))
    assert order_of(log, "A01") == ["slosh", "still"]
    assert order_of(log, "A02") == ["still"]
    assert order_of(log, "A03") == []
    assert log.runs["row"].tolist() == [2, 3, 4]
    assert kinds(log.findings) == ["pilots"]


def test_no_log_is_none(tmp_path):
    assert read_session_log(study_in(tmp_path)) is None


def test_every_fault_is_told_at_once(tmp_path):
    found = faults_of(
        read_session_log,
        logged(
            tmp_path,
            "A01 0 still",
            "A01 first slosh",
            "A9 1 still",
            "A02 1 stil",
            "A03 1 still",
            "A03 1 slosh",
            "A03 2 slosh",
        ),
    )
    assert [(one.kind, one.place) for one in found] == [
        ("unknown participant", "row 4"),
        ("unknown condition", "row 5, column condition"),
        ("wrong value", "row 2, column position"),
        ("wrong value", "row 3, column position"),
        ("duplicate", "rows 6, 7"),
        ("duplicate", "rows 7, 8"),
    ]


def test_a_position_left_out_is_a_finding(tmp_path):
    log = read_session_log(logged(tmp_path, "A01 1 still", "A01 3 slosh", "A02 1 still"))
    (finding,) = log.findings
    assert (finding.severity, finding.kind, finding.place) == ("attention", "gap in the order", "rows 2, 3")
    assert finding.found == "A01 has the positions 1, 3."


def test_a_log_of_no_rows(tmp_path):
    log = read_session_log(logged(tmp_path))
    assert order_of(log, "A01") == []
    assert log.findings == ()
