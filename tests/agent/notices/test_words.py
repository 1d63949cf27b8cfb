"""What people read."""

from __future__ import annotations

from html.parser import HTMLParser

from agent.notices.words import words_of
from policies.telling import Topic
from tests.agent.notices.telling import letter, sender, sending


def test_subject_says_the_site_and_the_gravest_thing() -> None:
    """A phone shows forty characters of it."""
    news = letter("an outage has begun", topic=Topic.OUTAGE, severity="warning", number=2)
    needs = letter(
        "gate recorder is not back: silent",
        about="gate recorder",
        topic=Topic.NEEDS_YOU,
        number=3,
    )

    subject = words_of(sending(news, needs), sender()).subject
    assert subject == "boatyard: needs you: gate recorder is not back: silent (and 1 more)"


def test_times_are_the_sites_own() -> None:
    """22:41 UTC is 23:41 in Lisbon in July."""
    text = words_of(sending(letter()), sender()).text

    assert "23:41:07  mains has failed: cabinet runs on its battery" in text
    assert "Sent at 2026-07-01 23:41:07 WEST by lastwatt; times are the site's own." in text


def test_what_is_said_again_is_said_once_with_how_often() -> None:
    """A unit that comes and goes all night is one line."""
    again = [letter("cabinet is heard from again", severity="info", number=n) for n in range(4)]

    text = words_of(sending(*again), sender()).text
    assert text.count("cabinet is heard from again") == 1
    assert "(4 times)" in text


def test_site_is_named_once() -> None:
    """It stands above all of it already."""
    news = letter("an outage has begun", about="boatyard", topic=Topic.OUTAGE)
    door = letter("it does not answer", about="door camera", topic=Topic.OTHER, number=2)

    words = words_of(sending(news, door), sender())
    assert words.subject == "boatyard: an outage has begun (and 1 more)"
    assert "  an outage has begun\n" in words.text
    assert "  door camera: it does not answer\n" in words.text


def test_late_and_dry_are_said_where_nobody_misses_them() -> None:
    """Whoever reads it at noon must not drive to the site over last night's outage."""
    words = words_of(sending(letter(), late_s=720.0), sender(dry_run=True))

    assert words.subject.startswith("boatyard: dry run: late by 12 min: mains has failed")
    assert "This is a dry run: nothing is sent to any device." in words.text
    assert "This is late: it was raised 12 min before it was sent." in words.text


def test_unsynchronised_clock_is_said() -> None:
    """A box without a battery for its clock wakes in 1970."""
    assert "was not synchronised" in words_of(sending(letter(synced=False)), sender()).text
    assert "synchronised" not in words_of(sending(letter(synced=True)), sender()).text


class _Tags(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.said = ""

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.add(tag)

    def handle_data(self, data: str) -> None:
        self.said += data


def test_markup_of_a_device_stays_text() -> None:
    """A recorder's error page must not become a part of the mail (html.parser reads it back)."""
    hostile = letter('it said <script src="//evil.example"></script> & "quoted"')
    tags = _Tags()
    tags.feed(words_of(sending(hostile), sender(site="<b>yard</b>")).html)

    assert not tags.tags & {"script", "b", "img", "a"}
    assert '<script src="//evil.example"></script> & "quoted"' in tags.said
