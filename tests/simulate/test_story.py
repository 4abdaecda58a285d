"""The demo's story: what is in it, when, and again."""

from __future__ import annotations

from itertools import islice

import pytest

from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.story import AFTERNOON, STORIES, Scene, Story, play


def receiver() -> Receiver:
    return Receiver(ReceiverSettings(), Drive(1), 1)


def told(from_s: float, to_s: float) -> bytes:
    bursts = play(AFTERNOON, receiver(), 1, to_s)
    return b"".join(burst.data for burst in bursts if burst.due_s >= from_s)


def test_the_afternoon_covers_its_time_without_a_hole() -> None:
    reached_s = 0.0
    for scene in AFTERNOON.scenes:
        assert scene.start_s <= reached_s
        reached_s = max(reached_s, scene.end_s)
    assert 150 <= AFTERNOON.length_s <= 240
    assert STORIES[AFTERNOON.name] is AFTERNOON
    # Ten seconds for what is judged over ten seconds to clear, and a clean run of ten.
    healthy = [scene.end_s - scene.start_s for scene in AFTERNOON.scenes if not scene.fault]
    assert all(duration_s > 20 for duration_s in healthy[:-1])


def test_what_happens_in_the_afternoon() -> None:
    clean = list(receiver().epochs(0, 231))
    story = list(play(AFTERNOON, receiver(), 1, 231))
    for from_s, to_s in ((0, 25), (33, 59), (62, 88), (94, 120), (203, 223)):
        for bursts in (clean, story):
            assert [b for b in bursts if from_s <= b.due_s < to_s] == [b for b in clean if from_s <= b.due_s < to_s]
    assert b"GGA,,,,,,0," in told(223, 231)
    assert b"VTG," not in told(25, 33)
    assert b"GGA," in told(25, 33)
    assert told(59, 62) != b"".join(b.data for b in clean if 59 <= b.due_s < 62)
    assert told(88, 94) == b""
    assert b",M,59.0,0131" in told(178, 179)
    assert b",1,18,0.70," in told(195, 203)


def test_the_story_begins_anew_while_the_drive_goes_on() -> None:
    length_s = AFTERNOON.length_s
    assert b"VTG," not in told(length_s + 25, length_s + 33)
    first, second = told(20, 21), told(length_s + 20, length_s + 21)
    assert first.count(b"$") == second.count(b"$") == 12
    assert first != second


def test_without_an_end_it_goes_on_for_ever() -> None:
    bursts = list(islice(play(AFTERNOON, receiver(), 1), 3000))
    assert bursts[-1].due_s > 2.5 * AFTERNOON.length_s
    assert bursts == list(play(AFTERNOON, receiver(), 1, 1000))[:3000]


def test_moments_say_each_scene_again_and_again() -> None:
    count = len(AFTERNOON.scenes)
    moments = list(islice(AFTERNOON.moments(), 2 * count))
    assert [words for _, words in moments[:count]] == [words for _, words in moments[count:]]
    assert moments[0][0] == 0
    assert moments[count][0] == AFTERNOON.length_s
    assert [when for when, _ in moments] == sorted(when for when, _ in moments)


def test_a_story_is_the_faults_of_its_scenes() -> None:
    story = Story("s", (Scene(0, 2, "well"), Scene(1, 3, "off", "message-off", None, "GGA")))
    assert story.spells(10) == [Spell("message-off", 11, 13, None, "GGA")]
    bursts: list[Burst] = list(play(story, receiver(), 5, 3))
    assert bursts == list(apply(receiver().epochs(0, 3), story.spells(), 5))
    with pytest.raises(ValueError, match="typo"):
        Story("s", (Scene(0, 1, "", "typo"),)).spells()
