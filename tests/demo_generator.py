"""The demo's invented data, made from a seed: `python tests/demo_generator.py` writes them anew.

What the numbers are meant to show stands here in the open, as named constants, and
tests/test_demo_data.py looks for it in the files by other means. study.toml and the instruments of
the demo are written by hand and left alone.

Ratings have the structure of real ones: a person's level, a person's own taste for a version, what
two scales share, and items that load and vary differently. Effects between versions are about .4 to
.9 standard deviations of the differences, as in real studies. A draw of 22 people seldom carries
every effect it was drawn with: the seed of the ratings is the first of about a thousand that does, and
the seeds of trials and codings were chosen in the same way. That is right for a demo, whose truths
must be there to be found, and it would be wrong for anything else.

Only the standard library is used, so that the bytes don't hang on the version of any other.
"""

from __future__ import annotations

import csv
import io
import math
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

SEEDS = {"sessions": 1, "background": 2, "discomfort": 3, "ratings": 947, "trials": 9, "codings": 358}
"""One stream for each part, so that a change to one part leaves the others as they are."""

FOLDER = Path(__file__).parent.parent / "demo_responses"

CONDITIONS = ("still", "slosh", "ladle", "coach")
SEQUENCES = {
    "S1": ("still", "slosh", "coach", "ladle"),
    "S2": ("slosh", "ladle", "still", "coach"),
    "S3": ("ladle", "coach", "slosh", "still"),
    "S4": ("coach", "still", "ladle", "slosh"),
}
"""A Williams square of the four versions."""

ENROLLED = tuple(f"A{number:02d}" for number in range(1, 25))
ASSIGNED = dict(zip(ENROLLED, "314214324123231442131324", strict=True))
"""Sequence of each apprentice, six a sequence, shuffled in blocks of four."""

PILOTS = ("P01", "P02")
WITHDRAWN = "A21"
DROPPED_OUT = "A08"
VERSIONS_BEFORE_DROPPING_OUT = 2
SAME_ANSWER = "A18"
SAME_ANSWER_POINT = 4
"""The middle, which stays where it is when a key is turned round."""

WRONG_ORDER = "A10"
ORDER_AS_RUN = ("still", "coach", "slosh", "ladle")
SKIPPED = {
    ("A15", "still"): ("real2",),
    ("A15", "ladle"): ("real1", "real3", "real5", "effort4"),
    ("A15", "coach"): ("train4", "effort1"),
}
"""Items left empty by the one who skips: in `ladle` too many for a score of weight realism."""

MISKEYED_ITEM = "real4"
"""In the second week's form this item's key was set wrongly, so its numbers are turned round there."""

TRACKING_LOST = ("A11", "ladle")

MEANS = {
    "weight_realism": {"still": 3.7, "slosh": 5.0, "ladle": 4.3, "coach": 4.1},
    "effectiveness": {"still": 3.9, "slosh": 4.3, "ladle": 4.3, "coach": 5.0},
    "effort": {"still": 3.7, "slosh": 3.9, "ladle": 3.9, "coach": 3.6},
}
"""Planted means: `slosh` feels most real, `coach` is thought best for training, effort hardly differs."""

PERSON_SD = {"weight_realism": 0.5, "effectiveness": 0.5, "effort": 0.8}
VERSION_SD = {"weight_realism": 0.5, "effectiveness": 0.5, "effort": 0.75}
LIKING_SD, SHARED_SD = 0.4, 0.45
FAVOURITE_GAINS = 0.35
NOISE_SD = 0.85
"""How far people differ, and a person's view of a version; what realism and effectiveness share of both
(somebody likes such things, or liked this version); what a favourite gains; and the noise of an item."""

ITEMS = {
    "weight_realism": {
        "real1": (1.1, 0.1, False),
        "real2": (0.9, 0.6, False),
        "real3": (1.0, 0.2, True),
        "real4": (0.8, -0.3, False),
        "real5": (1.1, 0.0, False),
        "real6": (0.8, 0.4, True),
    },
    "effectiveness": {
        "train1": (1.1, 0.0, False),
        "train2": (0.9, -0.4, False),
        "train3": (0.9, 0.6, True),
        "train4": (0.8, -0.5, False),
        "train5": (1.1, 0.2, False),
    },
    "effort": {
        "effort1": (1.0, 0.3, False),
        "effort2": (0.9, -0.6, False),
        "effort3": (0.9, 0.2, False),
        "effort4": (0.8, -0.2, False),
    },
}
"""Items by scale: loading, how much higher or lower than the rest, whether worded the other way round."""

COMFORT_BELOW_SEVEN = {"A03": 6, "A06": 6, "A11": 5, "A15": 6, "A18": SAME_ANSWER_POINT, "A23": 6}
COMFORT_LOST_IN_SLOSH = {
    "A02": 2, "A03": 3, "A05": 1, "A06": 2, "A08": 3, "A10": 1, "A11": 2, "A13": 2, "A16": 1, "A19": 2, "A20": 1, "A23": 3,
}  # fmt: skip
COMFORT_LOST_IN_LADLE = {"A05": 1, "A11": 1, "A15": -1, "A20": 1}
"""Comfort is 7 for most. `still` and `coach` tie for everybody, so whatever is compared with the one
is compared with the other; `ladle` differs from them in four people, too few for a p below .05."""

CONTRADICTIONS = {
    "A04": ("weight_realism", "slosh"),
    "A12": ("comfort", "slosh"),
    "A19": ("effectiveness", "coach"),
}
"""Interviews that say the opposite of the ratings: the measure they contradict and the version they speak of."""

TASTES = {("A04", "weight_realism", "slosh"): 1.2, ("A19", "effectiveness", "coach"): 1.2}
"""What those people rate a version above what its mean says."""

RANKINGS = {
    "P01": ("coach slosh ladle still", "Coach, then the soup one. The ladle got stuck in the table twice."),
    "P02": ("slosh coach still ladle", "it looked like soup"),
    "A01": ("slosh coach ladle still", "You see the soup come up the side and your arms just believe it."),
    "A02": ("coach ladle still slosh", "the voice, because honestly I never know how full a pot is till I've burnt myself"),
    "A03": ("coach ladle still slosh", "Coach told me and then I could check myself. Slosh made me feel a bit sick so that's last."),
    "A04": ("slosh still ladle coach", "Slosh is the one I'd show my mum."),
    "A05": ("ladle still slosh coach", "Stirring is what I'd do anyway before I pick anything up, so that one felt like my job"),
    "A06": ("still coach ladle slosh", "Nothing moving about, nobody talking. I could get on with it."),
    "A07": ("slosh ladle still coach", "Because the soup was late. Real soup is late."),
    "A09": ("ladle coach slosh still", "with the ladle you know BEFORE you lift, with the others you find out when its too late"),
    "A10": ("coach slosh still ladle", "I came out of coach a bit better than I went in, if that makes sense."),
    "A11": ("still coach ladle slosh", "Still. Least going on, and after the headset kept jumping in the ladle one I only wanted quiet."),
    "A12": ("slosh still coach ladle", "slosh!! like carrying for real. stirring was extra work for nothing"),
    "A13": ("coach still ladle slosh", "i like the voice, its like when chef talks you through it only he never has the time"),
    "A14": ("slosh still coach ladle", "Could tell the full ones before I'd got to the stove."),
    "A15": ("ladle still coach slosh", "ladle I suppose"),
    "A16": ("coach slosh still ladle", "I hate guessing and without the voice I'd have guessed half of them wrong."),
    "A17": ("slosh ladle coach still", "Beim Schwappen waren die Arme schon angespannt, bevor ich überhaupt dran war."),
    "A18": ("still slosh ladle coach", "all the same to me tbh, went left to right"),
    "A19": ("coach ladle still slosh", "Quickest way through forty-odd pots, that's coach."),
    "A20": ("ladle slosh coach still", "One stir and I had a picture of what was in there, the rest was hoping."),
    "A22": ("slosh coach ladle still", "It made me walk slower, which is the whole point with stock, no?"),
    "A23": ("still ladle coach slosh", "still. gave the others a fair go but the sloshy one made me feel rough, sorry"),
    "A24": ("coach ladle slosh still", "Coach over ladle by a hair. Ask me tomorrow and it's the other way round."),
}  # fmt: skip
"""Versions from liked best to liked least, and why. First places split; nobody wins."""

FILLINGS = (20, 30, 40, 50, 60, 70, 80)
LIFTS_PER_FILLING = 6
GUESS_SD = {"still": 13.5, "slosh": 13.0, "ladle": 11.5, "coach": 10.0}
"""How widely guesses scatter: least with the voice; to see the soup sway helps next to nothing."""

SURENESS = {"still": 0.0, "slosh": 0.6, "ladle": 0.2, "coach": 0.55}
"""What a version adds to certainty: `slosh` makes people about as sure as `coach` does, and less often right."""

SECONDS = {"still": 5.6, "slosh": 6.2, "ladle": 9.4, "coach": 7.0}

AGE_GROUPS = ("18 to 20", "21 to 24", "25 to 34", "35 or older")
MOST_YEARS = (2.0, 5.0, 12.0, 25.0)

INTERVIEWED = ("A01", "A03", "A04", "A05", "A07", "A09", "A10", "A12", "A13", "A16", "A17", "A19", "A22", "A24")
PILOT_TRANSCRIPTS = ("A03", "A09", "A16")
RELIABILITY_ORDER = ("A12", "A05", "A22", "A01", "A17", "A10", "A24", "A07", "A19", "A04", "A13")
"""The other eleven transcripts in the order in which both raters coded their drawn stretches."""

STRETCHES, TURNS_IN_STRETCH = 4, 3

SPLIT_CODE, SPLIT_INTO = "EFFORT", ("EFFORT_BODY", "EFFORT_MIND")
CODES = (
    "HEFT", "SWAY", "MISMATCH", "STIR", "LEARN", "GUIDANCE", "TRUST", "EFFORT_BODY", "EFFORT_MIND", "UNEASE",
    "KITCHEN", "HABIT", "PLAY", "SCALD",
)  # fmt: skip
"""The codes of version 2; version 1 had EFFORT in the place of two of them."""

CONFUSED = ("HEFT", "EFFORT_BODY")
"""“It was heavy” may be said of the pot or of one's arms: the two codes that R2 mixes up."""

RARE_CODE = "SCALD"
SCALD_SPOKEN_OF_BY = ("A01", "A05", "A10", "A17", "A22", "A24")

MISSED = {"R1": 0.06, "R2": 0.07}
DRIFT = 0.35
"""By how much R2's chance of missing a code grows from the first to the last unit of the reliability round."""

SPILLED = 0.1
"""How often R2 draws the boundary later and lets a code run on into the next turn."""

STAGES = {
    "opening": ((2, 3), ((1, ""),)),
    "impression": ((2, 3), (
        (2, "SWAY@slosh:for"), (1, "SWAY@slosh:against"), (2, "PLAY@slosh:for"), (1, "PLAY"), (2, "GUIDANCE@coach:for"), (1, "MISMATCH@still:against"),
        (1, "HABIT"), (1, "STIR@ladle:mixed"), (2, ""),
    )),
    "weight": ((5, 7), (
        (4, "SWAY@slosh:for HEFT@slosh:for"), (2, "HEFT@slosh:for"), (2, "MISMATCH@slosh:against"), (4, "MISMATCH@still:against"),
        (3, "HEFT@still+slosh:mixed"), (2, "STIR@ladle:for HEFT@ladle:for"), (2, "STIR@ladle:for"), (1, "MISMATCH@coach:against"),
        (1, "HEFT@still:for"), (2, "HEFT"), (1, "HABIT"), (2, ""),
    )),
    "training": ((4, 6), (
        (5, "GUIDANCE@coach:for LEARN@coach:for"), (3, "GUIDANCE@coach:for"), (2, "GUIDANCE@coach:against TRUST@coach:against"),
        (2, "LEARN@slosh:for"), (2, "STIR@ladle:for LEARN@ladle:for"), (1, "LEARN@still:against"), (2, "KITCHEN"),
        (1, "LEARN@ladle+coach:for"), (2, ""),
    )),
    "effort": ((4, 5), (
        (4, "EFFORT_BODY@slosh:against"), (3, "EFFORT_BODY"), (3, "EFFORT_BODY@still:mixed"), (3, "EFFORT_MIND@ladle:against"),
        (2, "EFFORT_MIND@still:against"), (2, "EFFORT_MIND@coach:for"), (2, "HEFT@slosh:for EFFORT_BODY@slosh:mixed"),
        (1, "HABIT"), (1, ""),
    )),
    "body": ((2, 3), (
        (4, "UNEASE@slosh:against"), (2, "UNEASE@slosh:against SWAY@slosh:mixed"), (1, "UNEASE@ladle:against"),
        (1, "HABIT@slosh:mixed"), (3, ""),
    )),
    "comparison": ((3, 4), (
        (3, "SWAY@slosh:for HEFT@still+slosh:mixed"), (3, "TRUST@ladle+coach:mixed"), (2, "PLAY@slosh:for"),
        (2, "LEARN@slosh+coach:mixed"), (2, "STIR@ladle:for TRUST@ladle:for"), (2, "MISMATCH@still+coach:against"), (1, ""),
    )),
    "closing": ((1, 2), ((3, ""), (2, "KITCHEN"), (1, "PLAY"), (1, "HABIT"))),
}  # fmt: skip
"""How an interview goes: turns a stage may take, and what may be said in one, with weights.

`CODE@conditions:stance`, several codes apart by blanks; an empty string is talk that no code fits.
"""

LEFT_OUT_BY_SOME = ("SWAY", "STIR", "MISMATCH", "LEARN", "GUIDANCE", "TRUST", "PLAY", "HABIT")
"""Everybody has two of these that they do not bring up."""

SPOKEN_AGAINST_OWN_RATING = {
    "A04": ("weight", ("MISMATCH@slosh:against", "MISMATCH@slosh:against", "HEFT@slosh:against", "SWAY@slosh:against MISMATCH@slosh:against")),
    "A12": ("body", ("UNEASE@slosh:against", "UNEASE@slosh:against SWAY@slosh:against", "UNEASE@slosh:against")),
    "A19": ("training", ("LEARN@coach:against", "GUIDANCE@coach:against", "LEARN@coach:against TRUST@coach:against", "GUIDANCE@coach:against LEARN@coach:against")),
}  # fmt: skip
"""What the three whose interviews contradict their ratings say, instead of the first turns of a stage."""

Row = list[str]
Mention = tuple[str, str, str]
"""A code, the conditions it is about joined by "+", and the stance."""


def participants() -> list[str]:
    """Apprentices whose data exist, pilots apart."""
    return [one for one in ENROLLED if one != WITHDRAWN]


def as_run(participant: str) -> tuple[str, ...]:
    """The conditions a participant really went through, in order."""
    if participant in PILOTS:
        return SEQUENCES["S1"]
    if participant == WRONG_ORDER:
        return ORDER_AS_RUN
    order = SEQUENCES[f"S{ASSIGNED[participant]}"]
    return order[:VERSIONS_BEFORE_DROPPING_OUT] if participant == DROPPED_OUT else order


def everybody() -> list[str]:
    return [*PILOTS, *participants()]


def second_week(participant: str) -> bool:
    return participant in ENROLLED[12:]


def favourite(participant: str) -> str:
    return RANKINGS[participant][0].split()[0] if participant in RANKINGS else ""


def table(header: list[str], rows: list[Row]) -> str:
    """Rows as comma-separated text."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(header)
    writer.writerows(rows)
    return text.getvalue()


def within(value: float, low: int, high: int) -> int:
    """The nearest whole number from low to high."""
    return max(low, min(high, math.floor(value + 0.5)))


def participant_rows() -> list[Row]:
    return [[one, ""] for one in PILOTS] + [[one, f"S{ASSIGNED[one]}"] for one in participants()]


def session_rows(rng: Random) -> list[Row]:
    """Three sessions a day from Monday to Thursday, in two weeks; the pilots on a Thursday before."""
    rows = []
    for place, one in enumerate(everybody()):
        if one in PILOTS:
            day, slot = datetime(2026, 3, 5), place
        else:
            number = ENROLLED.index(one)
            week, rest = divmod(number, 12)
            day, slot = datetime(2026, 3, 9) + timedelta(weeks=week, days=rest // 3), rest % 3
        clock = day + timedelta(hours=(9, 11, 14)[slot], minutes=rng.randrange(12, 24))
        for position, condition in enumerate(as_run(one), start=1):
            rows.append([one, str(position), condition, clock.strftime("%Y-%m-%dT%H:%M")])
            clock += timedelta(minutes=rng.randrange(15, 20))
    return rows


def background_rows(rng: Random) -> list[Row]:
    rows = []
    for one in everybody():
        group = rng.choices(range(4), weights=(8, 9, 5, 2))[0]
        years = round(2 * (0.5 + rng.random() * MOST_YEARS[group])) / 2
        rows.append([one, AGE_GROUPS[group], f"{years:g}"])
    return rows


def discomfort_rows(rng: Random) -> list[Row]:
    """Before and after; those whose comfort suffers in `slosh` are the ones who feel it afterwards."""
    rows = []
    for one in everybody():
        for occasion in ("before", "after"):
            queasy = 0.45 * COMFORT_LOST_IN_SLOSH.get(one, 0) if occasion == "after" else 0.0
            level = -0.1 + 0.25 * (occasion == "after") + queasy
            answers = [str(within(rng.gauss(level, 0.45), 0, 3)) for _ in range(5)]
            rows.append([one, occasion, *(["1"] * 5 if one == SAME_ANSWER else answers)])
    return rows


def latent_scores(rng: Random) -> dict[tuple[str, str, str], float]:
    """What a person makes of a version before answering any item: {(participant, scale, condition): level}."""
    scores = {}
    for one in everybody():
        person = {scale: rng.gauss(0, PERSON_SD[scale]) for scale in ITEMS}
        liking = rng.gauss(0, LIKING_SD)
        for condition in CONDITIONS:
            shared = liking + rng.gauss(0, SHARED_SD) + FAVOURITE_GAINS * (condition == favourite(one))
            for scale in ITEMS:
                own = rng.gauss(0, VERSION_SD[scale]) + (shared if scale != "effort" else 0.0)
                scores[one, scale, condition] = (
                    MEANS[scale][condition] + person[scale] + own + TASTES.get((one, scale, condition), 0.0)
                )
    return scores


def comfort(participant: str, condition: str) -> int:
    lost = {"slosh": COMFORT_LOST_IN_SLOSH, "ladle": COMFORT_LOST_IN_LADLE}.get(condition, {})
    return COMFORT_BELOW_SEVEN.get(participant, 7) - lost.get(participant, 0)


def answers(rng: Random, participant: str, condition: str, scores: dict[tuple[str, str, str], float]) -> dict[str, str]:
    """One filled-in form, as its answers were meant."""
    given = {}
    for scale, items in ITEMS.items():
        for item, (loading, shift, reverse) in items.items():
            point = within(
                4 + loading * (scores[participant, scale, condition] - 4) + shift + rng.gauss(0, NOISE_SD), 1, 7
            )
            given[item] = str(8 - point if reverse else point)
    given["comfort1"] = str(comfort(participant, condition))
    if participant == SAME_ANSWER:
        given = dict.fromkeys(given, str(SAME_ANSWER_POINT))
    return given | dict.fromkeys(SKIPPED.get((participant, condition), ()), "")


def after_version_rows(rng: Random) -> tuple[list[Row], list[Row]]:
    """The two weeks' forms; in the second the miskeyed item is turned round."""
    scores = latent_scores(rng)
    weeks: tuple[list[Row], list[Row]] = ([], [])
    for one in everybody():
        for condition in as_run(one):
            given = answers(rng, one, condition, scores)
            if second_week(one) and given[MISKEYED_ITEM]:
                given[MISKEYED_ITEM] = str(8 - int(given[MISKEYED_ITEM]))
            weeks[second_week(one)].append([one, condition, *given.values()])
    return weeks


def trial_rows(rng: Random) -> list[Row]:
    """42 lifts a version in shuffled order: what was said, how sure, the guess and the time."""
    rows = []
    for one in everybody():
        bias, scatter, sure, pace = (
            rng.gauss(0, 3),
            math.exp(rng.gauss(0, 0.15)),
            rng.gauss(0, 0.5),
            math.exp(rng.gauss(0, 0.2)),
        )
        for position, condition in enumerate(as_run(one)):
            spread = GUESS_SD[condition] * scatter * math.exp(rng.gauss(0, 0.25))
            surer = sure + SURENESS[condition] + rng.gauss(0, 0.45)
            usual = SECONDS[condition] * pace * 0.93**position * math.exp(rng.gauss(0, 0.1))
            if (one, condition) == TRACKING_LOST:
                spread, surer, usual = 48.0, surer - 1.0, 2 * usual
            fillings = [filling for filling in FILLINGS for _ in range(LIFTS_PER_FILLING)]
            rng.shuffle(fillings)
            for number, filling in enumerate(fillings, start=1):
                seen = 50 + 0.9 * (filling - 50) + bias + rng.gauss(0, spread)
                more = seen + rng.gauss(0, 3) > 50 if rng.random() > 0.02 else rng.random() > 0.5
                certainty = (
                    SAME_ANSWER_POINT - 1
                    if one == SAME_ANSWER
                    else within(2.3 + surer + abs(seen - 50) / 18 + rng.gauss(0, 0.6), 1, 5)
                )
                guess = 5 * within(seen / 5, 0, 20) if rng.random() < 0.8 else within(seen, 0, 100)
                seconds = usual * math.exp(rng.gauss(0, 0.3)) * 0.996**number
                rows.append(
                    [
                        one,
                        condition,
                        str(number),
                        str(filling),
                        "yes" if more else "no",
                        str(certainty),
                        str(guess),
                        f"{seconds:.1f}",
                    ]
                )
    return rows


def ranking_rows() -> list[Row]:
    ranked = [(one, RANKINGS[one]) for one in everybody() if one in RANKINGS]
    return [
        [one, *(str(order.split().index(condition) + 1) for condition in CONDITIONS), reason]
        for one, (order, reason) in ranked
    ]


def mentions(spoken: str) -> list[Mention]:
    """ "SWAY@slosh:for HABIT" as [("SWAY", "slosh", "for"), ("HABIT", "", "")]."""
    parts = [part.partition("@") for part in spoken.split()]
    return [(code, *about.partition(":")[::2]) for code, _, about in parts]


def said(rng: Random, participant: str, stage: str, silent_on: set[str]) -> str:
    """What one turn of a stage holds, likelier where it fits the person's favourite and comfort."""
    choices = STAGES[stage][1]
    first = RANKINGS[participant][0].split()[0]
    weights = []
    for weight, spoken in choices:
        fits = 2.0 if f"@{first}:for" in spoken else 0.4 if f"@{first}:against" in spoken else 1.0
        if "UNEASE@slosh" in spoken:
            fits = 2.0 if participant in COMFORT_LOST_IN_SLOSH else 0.15
        if f"@{CONTRADICTIONS.get(participant, ('', ''))[1]}:for" in spoken:
            fits = 0.1
        weights.append(0.0 if silent_on & {code for code, _, _ in mentions(spoken)} else weight * fits)
    return rng.choices([spoken for _, spoken in choices], weights=weights)[0]


def interview(rng: Random, participant: str) -> dict[str, list[Mention]]:
    """What is said in each of a participant's turns, by unit.

    Turns are numbered through the whole transcript, where the interviewer has the odd numbers.
    """
    spoken: list[str] = []
    silent_on = set(rng.sample(LEFT_OUT_BY_SOME, 2))
    for stage, ((fewest, most), _) in STAGES.items():
        turns = [said(rng, participant, stage, silent_on) for _ in range(rng.randint(fewest, most))]
        planted_stage, planted = SPOKEN_AGAINST_OWN_RATING.get(participant, ("", ()))
        if stage == planted_stage:
            turns = [*planted, *turns[len(planted) :]]
        if stage == "training" and participant in SCALD_SPOKEN_OF_BY:
            turns[rng.randrange(len(turns))] = f"{RARE_CODE} KITCHEN"
        spoken += turns
    return {f"{participant}-{2 * number:03d}": mentions(turn) for number, turn in enumerate(spoken, start=1)}


def drawn_units(rng: Random, units: list[str]) -> list[str]:
    """A reliability sample of one transcript: stretches of successive turns, apart from each other."""
    spare = len(units) - STRETCHES * TURNS_IN_STRETCH
    starts = sorted(rng.sample(range(spare + STRETCHES), STRETCHES))
    return [
        units[start + number * (TURNS_IN_STRETCH - 1) + turn]
        for number, start in enumerate(starts)
        for turn in range(TURNS_IN_STRETCH)
    ]


def rated(rng: Random, rater: str, true: list[Mention], before: list[Mention], progress: float) -> list[Mention]:
    """A rater's codes for one unit: some missed, two confused by R2, some carried on from the turn before."""
    codes: dict[str, Mention] = {}
    careless = MISSED[rater] + (DRIFT * progress if rater == "R2" else 0.0)
    for code, about, stance in true:
        if rng.random() < (0.5 if code == RARE_CODE else careless):
            continue
        if code in CONFUSED and rng.random() < (0.25 if rater == "R2" else 0.05):
            code = CONFUSED[1 - CONFUSED.index(code)]
        if stance and rng.random() < 0.06:
            stance = "mixed"
        codes.setdefault(code, (code, about, stance))
    if rater == "R2" and before and rng.random() < SPILLED:
        codes.setdefault(before[0][0], before[0])
    return list(codes.values())


def in_first_version(rng: Random, rater: str, coded: list[Mention]) -> list[Mention]:
    """The same under the first codebook, where EFFORT left open whether thinking counts: R1 seldom took it so."""
    codes: dict[str, Mention] = {}
    for code, about, stance in coded:
        if code == "EFFORT_MIND" and rater == "R1" and rng.random() < 0.9:
            continue
        name = SPLIT_CODE if code in SPLIT_INTO else code
        codes.setdefault(name, (name, about, stance))
    return list(codes.values())


def coding_rows(unit: str, rater: str, round_: str, version: str, coded: list[Mention]) -> list[Row]:
    """Rows of one rated unit; one row without a code where nothing applies."""
    ordered = sorted(coded, key=lambda mention: [*CODES, SPLIT_CODE].index(mention[0]))
    transcript = unit.split("-")[0]
    return [
        [transcript, transcript, unit, "", "", rater, round_, version, *mention]
        for mention in ordered or [("", "", "")]
    ]


def codings(rng: Random) -> dict[str, list[Row]]:
    """Rows of the pilot, reliability, consensus and main files."""
    truth = {one: interview(rng, one) for one in INTERVIEWED}
    files: dict[str, list[Row]] = {"pilot": [], "reliability": [], "consensus": [], "main": []}
    for rater in ("R1", "R2"):
        for one in PILOT_TRANSCRIPTS:
            before: list[Mention] = []
            for unit, true in truth[one].items():
                coded = in_first_version(rng, rater, rated(rng, rater, true, before, 0.3))
                files["pilot"] += coding_rows(unit, rater, "pilot", "1", coded)
                before = true
    drawn = {one: drawn_units(rng, list(truth[one])) for one in RELIABILITY_ORDER}
    order = [(one, unit) for one in RELIABILITY_ORDER for unit in drawn[one]]
    by_rater: dict[str, dict[str, list[Mention]]] = {"R1": {}, "R2": {}}
    for rater, coded_units in by_rater.items():
        for place, (one, unit) in enumerate(order):
            units = list(truth[one])
            previous = truth[one][units[units.index(unit) - 1]] if units.index(unit) else []
            coded_units[unit] = rated(rng, rater, truth[one][unit], previous, place / (len(order) - 1))
            files["reliability"] += coding_rows(unit, rater, "reliability", "2", coded_units[unit])
    for one, unit in order:
        agreed = sorted(by_rater["R1"][unit]) == sorted(by_rater["R2"][unit])
        files["consensus"] += coding_rows(
            unit, "consensus", "consensus", "2", by_rater["R1"][unit] if agreed else truth[one][unit]
        )
    for one in INTERVIEWED:
        for unit, true in truth[one].items():
            if unit not in drawn.get(one, []):
                files["main"] += coding_rows(unit, "R1", "main", "2", rated(rng, "R1", true, [], 0.0))
    return files


def files() -> dict[str, str]:
    """Every csv file of the demo: {name in the study folder: text}."""
    streams = {part: Random(seed) for part, seed in SEEDS.items()}
    items = [item for scale in ITEMS.values() for item in scale] + ["comfort1"]
    week1, week2 = after_version_rows(streams["ratings"])
    made = {
        "participants.csv": table(["participant", "sequence"], participant_rows()),
        "session_log.csv": table(
            ["participant", "position", "condition", "started"], session_rows(streams["sessions"])
        ),
        "responses/background.csv": table(
            ["participant", "age_group", "kitchen_years"], background_rows(streams["background"])
        ),
        "responses/discomfort.csv": table(
            ["participant", "occasion", *(f"unease{number}" for number in range(1, 6))],
            discomfort_rows(streams["discomfort"]),
        ),
        "responses/after_version_week1.csv": table(["participant", "version", *items], week1),
        "responses/after_version_week2.csv": table(["participant", "version", *items], week2),
        "responses/trials.csv": table(
            ["participant", "condition", "trial", "filling", "more_than_half", "certainty", "guess", "seconds"],
            trial_rows(streams["trials"]),
        ),
        "responses/ranking.csv": table(
            ["participant", *(f"rank_{condition}" for condition in CONDITIONS), "reason"], ranking_rows()
        ),
    }
    header = [
        "participant",
        "transcript",
        "unit",
        "start",
        "end",
        "rater",
        "round",
        "codebook_version",
        "code",
        "about",
        "stance",
    ]
    return made | {f"codings/{name}.csv": table(header, rows) for name, rows in codings(streams["codings"]).items()}


def write(folder: Path) -> None:
    """Write the csv files into the study folder."""
    for name, text in files().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(text.encode())


if __name__ == "__main__":
    write(FOLDER)
