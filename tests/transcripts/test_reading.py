"""The transcripts of a study: whose they are, their parts, and everything that can be wrong with their files."""

from __future__ import annotations

import hashlib

import docx
import pandas as pd
import pytest
from study_folders import faults_of, kinds, study_in

from workbench.errors import StudyError, UsageError
from workbench.transcripts.reading import bring_in, read_transcripts
from workbench.transcripts.turns import seconds

TALK = "Interviewer: And?\n{}: Heavy.\n"
CUES = "WEBVTT\n\n00:01.000 --> 00:02.000\n<v Interviewer>And?\n\n00:02.000 --> 00:03.000\n<v {}>Heavy,\n\n00:03.500 --> 00:04.000\n<v {}>really.\n"
GUIDE = [{"id": "weight", "label": "How the weight felt", "headings": ["Weight"]}, {"id": "end", "headings": ["Ende"]}]
INTERVIEWS = {
    "mode": "codebook",
    "transcripts": ["t/{participant}.txt"],
    "speakers": {"Interviewer": "interviewer"},
    "guide": GUIDE,
    "condition_headings": {"Second version": "slosh", "First version": "still"},
}


def study_of(folder, files, **interviews):
    sections = {name: interviews.pop(name) for name in ("pilots", "participants") if name in interviews}
    return study_in(folder, files=files, interviews=INTERVIEWS | interviews, **sections)


def read(folder, files, **interviews):
    return read_transcripts(study_of(folder, files, **interviews))


def faults(folder, files, **interviews):
    return faults_of(read_transcripts, study_of(folder, files, **interviews))


def test_a_study_without_transcripts_has_none(tmp_path):
    assert read_transcripts(study_in(tmp_path)).items == ()


def test_each_format_gives_the_same_turns(tmp_path):
    document = docx.Document()
    for line in TALK.format("A03").splitlines():
        document.add_paragraph(line)
    (tmp_path / "t").mkdir()
    document.save(str(tmp_path / "t" / "A03.docx"))
    pd.DataFrame({"Speaker": ["Interviewer", "A05"], "Text": ["And?", "Heavy."]}).to_excel(
        tmp_path / "t" / "A05.xlsx", index=False
    )
    files = {
        "t/A01.txt": TALK.format("A01"),
        "t/A02.vtt": CUES.format("A02", "A02").replace(",\n\n00:03.500 --> 00:04.000\n<v A02>really.", "."),
        "t/A04.csv": "speaker,text\nInterviewer,And?\nA04,Heavy.\n",
        "t/A06.srt": "1\n00:00:01,000 --> 00:00:02,000\nInterviewer: And?\n\n2\n00:00:02,000 --> 00:00:03,000\nA06: Heavy.\n",
    }
    patterns = [f"t/{{participant}}.{ending}" for ending in ("txt", "vtt", "docx", "csv", "xlsx", "srt")]
    participants = [f"A0{number}" for number in range(1, 7)]
    transcripts = read(tmp_path, files, transcripts=patterns, participants=participants)
    assert [one.name for one in transcripts.items] == participants
    for one in transcripts.items:
        assert [(turn.number, turn.role, turn.text) for turn in one.turns] == [
            (1, "interviewer", "And?"),
            (2, "participant", "Heavy."),
        ]
    assert not transcripts.notes


def test_cues_in_a_row_by_one_speaker_are_one_turn(tmp_path):
    (one,) = read(tmp_path, {"t/A01.vtt": CUES.format("A01", "A01")}, transcripts=["t/{participant}.vtt"]).items
    assert [(turn.text, turn.start, turn.end) for turn in one.turns] == [("And?", 1, 2), ("Heavy, really.", 2, 4)]


def test_a_note_between_cues_begins_a_turn_where_it_begins_a_part(tmp_path):
    text = CUES.format("A01", "A01").replace("00:03.500", "NOTE Second version\n\n00:03.500")
    (one,) = read(tmp_path, {"t/A01.vtt": text}, transcripts=["t/{participant}.vtt"]).items
    assert [(turn.text, turn.condition) for turn in one.turns] == [("And?", ""), ("Heavy,", ""), ("really.", "slosh")]
    plain = text.replace("Second version", "checked by R1")
    (one,) = read(tmp_path, {"t/A01.vtt": plain}, transcripts=["t/{participant}.vtt"]).items
    assert [turn.text for turn in one.turns] == ["And?", "Heavy, really."]


def test_headings_tie_turns_to_questions_and_conditions(tmp_path):
    text = (
        "Interviewer: Hello.\n# First version\nA01: a\n## Weight\nA01: b\n# Second version\nA01: c\n## weight\nA01: d\n"
        "# Goodbye\nA01: e\n[Ende]\nA01: f\n"
    )
    transcripts = read(tmp_path, {"t/A01.txt": text})
    assert [(turn.text, turn.question, turn.condition) for turn in transcripts.items[0].turns] == [
        ("Hello.", "", ""),
        ("a", "", "still"),
        ("b", "weight", "still"),
        ("c", "", "slosh"),
        ("d", "weight", "slosh"),
        ("e", "", ""),
        ("f", "end", ""),
    ]
    assert [(note.kind, note.place) for note in transcripts.notes] == [("heading not tied", "line 10")]


def test_a_question_of_a_higher_heading_ends_the_condition(tmp_path):
    text = "# Talk\nA01: a\n## First version\nA01: b\n# Ende\nA01: c"
    (one,) = read(tmp_path, {"t/A01.txt": text}).items
    assert [(turn.question, turn.condition) for turn in one.turns] == [("", ""), ("", "still"), ("end", "")]


def test_a_table_names_parts_and_times(tmp_path):
    table = "speaker,text,start,end,question,condition\nA01,Heavy,0:01:02,65.5,Weight,The slosh one\n"
    (one,) = read(tmp_path, {"t/A01.csv": table}, transcripts=["t/{participant}.csv"]).items
    turn = one.turns[0]
    assert (turn.start, turn.end, turn.question, turn.condition) == (62, 65.5, "weight", "slosh")
    table = "speaker,text,start,question,condition\nA01,Heavy,soon,Wait,blue\n"
    assert [one.place for one in faults(tmp_path, {"t/A01.csv": table}, transcripts=["t/{participant}.csv"])] == [
        "row 2, column start",
        "row 2, column question",
        "row 2, column condition",
    ]
    assert kinds(faults(tmp_path, {"t/A01.csv": "who,what\nA01,Heavy\n"}, transcripts=["t/{participant}.csv"])) == [
        "missing column",
        "missing column",
    ]


class TestWhose:
    def test_a_file_may_be_tied_by_hand(self, tmp_path):
        files = {"t/recording 3.txt": TALK.format("A02"), "t/other.txt": TALK.format("A01")}
        tied = {"t/recording 3.txt": "A02", "t/other.txt": "A01"}
        transcripts = read(tmp_path, files, transcripts=["t/recording 3.txt"], transcript_participants=tied)
        assert [(one.name, one.file) for one in transcripts.items] == [
            ("A01", "t/other.txt"),
            ("A02", "t/recording 3.txt"),
        ]

    def test_an_unknown_participant_blocks_and_names_the_nearest(self, tmp_path):
        (fault,) = faults(tmp_path, {"t/A1.txt": TALK.format("A01")})
        assert (fault.kind, fault.file) == ("unknown participant", "t/A1.txt")
        assert "Did you mean “A01”?" in fault.remedy

    def test_ids_in_other_capitals_and_composed_otherwise(self, tmp_path):
        transcripts = read(
            tmp_path,
            {"t/a01.txt": TALK.format("A01"), "t/Jose\u0301.txt": TALK.format("jose\u0301")},
            participants=["A01", "José"],
        )
        assert [one.participant for one in transcripts.items] == ["A01", "José"]
        assert transcripts.items[1].turns[1].role == "participant"

    def test_pilots_are_left_out_and_told(self, tmp_path):
        transcripts = read(tmp_path, {"t/A01.txt": TALK.format("A01"), "t/P01.txt": "no transcript"}, pilots=["P01"])
        assert [one.participant for one in transcripts.items] == ["A01"]
        assert kinds(transcripts.notes) == ["pilots"]

    def test_patterns_without_files_and_files_matched_twice(self, tmp_path):
        patterns = ["t/{participant}.txt", "t/{participant}.vtt", "t/A01.txt"]
        transcripts = read(tmp_path, {"t/A01.txt": TALK.format("A01")}, transcripts=patterns)
        assert len(transcripts.items) == 1
        assert kinds(transcripts.notes) == ["no file", "matched twice"]

    def test_a_named_file_that_is_not_there_blocks(self, tmp_path):
        assert kinds(faults(tmp_path, {}, transcripts=["t/A01.txt"])) == ["missing file"]

    def test_two_files_of_one_participant(self, tmp_path):
        files = {"t/A01 one.txt": TALK.format("A01"), "t/A01 two.txt": TALK.format("A01")}
        tied = dict.fromkeys(files, "A01")
        transcripts = read(tmp_path, files, transcript_participants=tied)
        assert [one.name for one in transcripts.items] == ["A01 one", "A01 two"]
        assert kinds(transcripts.notes) == ["several transcripts"]

    def test_two_files_of_one_name_block(self, tmp_path):
        files = {"t/A01.txt": TALK.format("A01"), "t/A01.vtt": CUES.format("A01", "A01")}
        (fault,) = faults(tmp_path, files, transcripts=["t/{participant}.txt", "t/{participant}.vtt"])
        assert fault.kind == "repeated name"

    def test_the_pattern_may_name_the_participant_twice_and_hold_signs_of_patterns(self, tmp_path):
        files = {"[x]/A01/A01?.txt": TALK.format("A01"), "[x]/A02/A01?.txt": TALK.format("A01")}
        transcripts = read(tmp_path, files, transcripts=["[x]/{participant}/{participant}?.txt"])
        assert [one.file for one in transcripts.items] == ["[x]/A01/A01?.txt"]

    @pytest.mark.parametrize("name", ["../x", "CON", "a/b", "x.", "-r", "=1+1"])
    def test_odd_ids_are_only_names(self, tmp_path, name):
        folder = tmp_path / "study"
        folder.mkdir()
        transcripts = read(
            folder,
            {"t/one.txt": TALK.format(name)},
            participants=[name],
            transcripts=[],
            transcript_participants={"t/one.txt": name},
        )
        assert [(one.name, one.turns[1].role) for one in transcripts.items] == [(name, "participant")]
        assert [one.name for one in tmp_path.iterdir()] == ["study"]

    def test_interviewed_without_transcript_is_told(self, tmp_path):
        transcripts = read(tmp_path, {"t/A01.txt": TALK.format("A01")}, interviewed=["A01", "A02"])
        assert [(note.kind, note.severity) for note in transcripts.notes] == [("no transcript", "note")]


class TestSpeakers:
    def test_roles_by_name_case_and_brackets(self, tmp_path):
        text = "INTERVIEWER: a\nMax (Interviewer): b\na01: c\nMia (A01): d\nGuest: e"
        transcripts = read(tmp_path, {"t/A01.txt": text}, speakers={"Interviewer": "interviewer", "Guest": "other"})
        assert [turn.role for turn in transcripts.items[0].turns] == [
            "interviewer",
            "interviewer",
            "participant",
            "participant",
            "other",
        ]

    def test_somebody_unknown_asks_for_attention(self, tmp_path):
        transcripts = read(tmp_path, {"t/A01.txt": "Interviewer: And?\nMia: Heavy.\n"})
        assert [(note.kind, note.severity) for note in transcripts.notes] == [
            ("unknown speaker", "attention"),
            ("no answers", "attention"),
        ]
        assert "“Mia”" in transcripts.notes[0].found
        assert [turn.role for turn in transcripts.items[0].turns] == ["interviewer", "unknown"]

    def test_no_speaker_at_all_blocks_in_every_file_at_once(self, tmp_path):
        files = {"t/A01.txt": "Just words.", "t/A02.txt": "   \n", "t/A03.txt": TALK.format("A03")}
        found = faults(tmp_path, files)
        assert [(one.file, one.kind) for one in found] == [("t/A01.txt", "no speaker"), ("t/A02.txt", "no words")]

    def test_cues_without_a_speaker_beside_others(self, tmp_path):
        text = CUES.format("A01", "A01") + "\n00:05.000 --> 00:06.000\nWho?\n"
        transcripts = read(tmp_path, {"t/A01.vtt": text}, transcripts=["t/{participant}.vtt"])
        assert kinds(transcripts.notes) == ["no speaker"]
        assert transcripts.items[0].turns[-1].role == "unknown"


class TestBytes:
    def turn(self, tmp_path, words: str | bytes):
        (tmp_path / "t").mkdir(exist_ok=True)
        content = words if isinstance(words, bytes) else f"Interviewer: And?\nA01: {words}".encode()
        (tmp_path / "t" / "A01.txt").write_bytes(content)
        before = hashlib.sha256(content).hexdigest()
        transcripts = read(tmp_path, {})
        assert hashlib.sha256((tmp_path / "t" / "A01.txt").read_bytes()).hexdigest() == before
        return transcripts.items[0].turns[-1], transcripts.notes

    @pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
    def test_unicode_encodings(self, tmp_path, encoding):
        turn, notes = self.turn(tmp_path, "Interviewer: And?\r\nA01: Schön – schwer.\r\n".encode(encoding))
        assert turn.text == "Schön – schwer."
        assert not notes

    def test_windows_1252_is_a_guess_that_is_told(self, tmp_path):
        turn, notes = self.turn(tmp_path, "Interviewer: And?\nA01: Schön.".encode("cp1252"))
        assert turn.text == "Schön."
        assert [(note.kind, note.severity) for note in notes] == [("encoding guessed", "note")]
        assert "reading" not in notes[0].remedy

    @pytest.mark.parametrize("content", [b"A01: it was heavy, I\0think", b"\x89PNG\r\n\x1a\n\0\0", b"PK\x03\x04A01: x"])
    def test_no_text_blocks(self, tmp_path, content):
        (tmp_path / "t").mkdir()
        (tmp_path / "t" / "A01.txt").write_bytes(content)
        assert kinds(faults(tmp_path, {})) == ["unreadable"]

    def test_newlines_and_composed_letters(self, tmp_path):
        turn, _ = self.turn(tmp_path, "e\u0301\r\rcafe\u0301\rx")
        assert turn.text == "é\ncafé x"

    def test_control_characters_are_named_and_become_spaces(self, tmp_path):
        turn, notes = self.turn(tmp_path, "a\x07b\x1bc\x85d")
        assert turn.text == "a b c d"
        assert [note.kind for note in notes] == ["invisible characters"] * 3
        assert ["U+0007" in note.found for note in notes] == [True, False, False]
        assert notes[0].place == "line 2"

    def test_overrides_of_direction_are_named_and_taken_out(self, tmp_path):
        turn, notes = self.turn(tmp_path, "pay \u202e001\u202c euros \u200fשלום\u200f")
        assert turn.text == "pay 001 euros \u200fשלום\u200f"
        assert "right-to-left override" in notes[1].found

    def test_emoji_and_marks_stay(self, tmp_path):
        words = "👩🏽‍🍳 x̣̂ हिन्दी 🇦🇹 ﬁ"
        assert self.turn(tmp_path, words)[0].text == words

    def test_a_turn_of_five_thousand_words(self, tmp_path):
        words = " ".join(f"word{number}" for number in range(5000))
        assert self.turn(tmp_path, words)[0].text == words

    def test_an_unknown_ending_blocks(self, tmp_path):
        assert kinds(faults(tmp_path, {"t/A01.rtf": "x"}, transcripts=["t/{participant}.rtf"])) == ["unknown format"]


class TestTranslations:
    GERMAN = "Interviewer: Und?\nA01: Schwer.\n"

    def read(self, tmp_path, translation: str, **more):
        files = {"t/A01.txt": self.GERMAN, "t/en/A01.txt": translation} | more.pop("files", {})
        return read(tmp_path, files, translations=["t/en/{participant}.txt"], languages={"A01": "de"}, **more)

    def test_a_text_beside_each_turn(self, tmp_path):
        (one,) = self.read(tmp_path, "Interviewer: And?\nParticipant: Heavy.\n").items
        assert one.translation == ("And?", "Heavy.")
        assert one.language == "de"

    def test_another_number_of_turns_blocks_and_says_where(self, tmp_path):
        with pytest.raises(Exception, match=r"has 3 turns and t/A01.txt has 2.*part at turn 2"):
            self.read(tmp_path, "Interviewer: And?\nInterviewer: So?\nA01: Heavy.\n")

    def test_translations_beside_their_originals_are_not_taken_for_transcripts(self, tmp_path):
        files = {"t/A01.txt": self.GERMAN, "t/A01.en.txt": TALK.format("A01"), "t/talk.txt": TALK.format("A02")}
        files["t/talk in English.txt"] = TALK.format("A02")
        transcripts = read(
            tmp_path,
            files,
            transcripts=["t/{participant}.txt"],
            translations=["t/{participant}.en.txt", "t/talk in English.txt"],
            transcript_participants={"t/talk.txt": "A02", "t/talk in English.txt": "A02"},
        )
        assert [(one.file, one.translation) for one in transcripts.items] == [
            ("t/A01.txt", ("And?", "Heavy.")),
            ("t/talk.txt", ("And?", "Heavy.")),
        ]

    def test_a_translation_of_nothing_blocks(self, tmp_path):
        with pytest.raises(Exception, match="no transcript it could translate"):
            self.read(tmp_path, TALK.format("A01"), files={"t/en/A02.txt": TALK.format("A02")})


def test_progress_is_told_and_may_stop(tmp_path):
    study = study_of(tmp_path, {f"t/A0{n}.txt": TALK.format(f"A0{n}") for n in (1, 2, 3)})
    told = []
    read_transcripts(study, lambda *done: told.append(done))
    assert told == [(1, 3), (2, 3), (3, 3)]

    def stop(_done, _total):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        read_transcripts(study, stop)


@pytest.mark.parametrize(
    ("words", "expected"),
    [
        ("1:02", 62),
        ("00:01:02", 62),
        ("1:00:00.5", 3600.5),
        ("90:00", 5400),
        ("1:60", None),
        ("1:99:00", None),
        ("", None),
        ("٣:٠٠", None),
    ],
)
def test_seconds(words, expected):
    assert seconds(words) == expected


class TestBroughtIn:
    def test_it_lies_where_it_is_looked_for_under_no_name_from_outside(self, tmp_path):
        study = study_of(tmp_path, {"t/A01.txt": TALK.format("A01")})
        assert bring_in(study, "A02", "../../else/where.TXT", TALK.format("A02").encode()) == ("t/A02.txt", 2)
        assert [(one.participant, one.turns[1].text) for one in read_transcripts(study).items] == [
            ("A01", "Heavy."),
            ("A02", "Heavy."),
        ]

    def test_what_is_there_is_not_written_over(self, tmp_path):
        study = study_of(tmp_path, {"t/A01.txt": TALK.format("A01")})
        with pytest.raises(UsageError, match="there already"):
            bring_in(study, "A01", "new.txt", b"I: No.")
        assert study.path("t/A01.txt").read_text(encoding="utf-8") == TALK.format("A01")

    @pytest.mark.parametrize(("name", "told"), [("a.pdf", "ends in “.pdf”"), ("a.srt", "No pattern")])
    def test_an_ending_that_has_no_place_is_refused(self, tmp_path, name, told):
        with pytest.raises(UsageError, match=told):
            bring_in(study_of(tmp_path, {}), "A02", name, b"I: No.")

    def test_what_cannot_be_read_is_not_kept(self, tmp_path):
        study = study_of(tmp_path, {}, transcripts=["t/{participant}.docx"])
        with pytest.raises(StudyError):
            bring_in(study, "A02", "a.docx", b"no document")
        assert list((tmp_path / "t").iterdir()) == []
