"""`lastwatt recipe`, and the walk-through of its documentation, done as it is written."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from agent.checks.recipe_trial import bench_of, on_paper
from agent.config.recipes import SHIPPED, listed, read_recipe
from agent.config.toml_text import toml_lines
from drivers.base import Act, Verdict
from tests.agent.commands import lastwatt, unit, write_secret, write_site
from tests.peers.web_recorder import PASSWORD, USER, WebRecorder, serving

GUIDE = (SHIPPED / "README.md").read_text()
FAMILY_LINES = 30
"""Most that a new family may take."""

CONSOLE = """\
format = 1
[[exchange]]
typed = ""
shows = "workshop> "
[[exchange]]
typed = "enable"
shows = "Password: "
[[exchange]]
typed = "***"
shows = "workshop# "
[[exchange]]
typed = "page off"
shows = "workshop# "
[[exchange]]
typed = "power off"
"""
SERVICE = """\
format = 1
[[exchange]]
run = "sudo -n systemctl stop recorder"
[[exchange]]
run = 'test inactive = "$(systemctl is-active recorder)"'
status = 1
[[exchange]]
run = 'test inactive = "$(systemctl is-active recorder)"'
[[exchange]]
run = "sudo -n systemctl poweroff"
[[exchange]]
run = "sudo -n systemctl start recorder"
"""
DIGEST = """\
format = 1
[[exchange]]
request = "GET /cgi-bin/state"
status = 401
headers = { WWW-Authenticate = 'Digest realm="yard", nonce="n-1", qop="auth", algorithm=MD5' }
[[exchange]]
request = "GET /cgi-bin/state"
body = "recording"
[[exchange]]
request = "GET /cgi-bin/power?action=off"
"""


def files() -> Iterator[tuple[str, str]]:
    """Give each file that the walk-through has its reader write."""
    yield from re.findall(r"```toml\n# file: (\S+)\n(.*?)```", GUIDE, re.DOTALL)


def steps(kind: str) -> list[list[str]]:
    """Return the arguments of the commands in the blocks of that kind, in order."""
    blocks = re.findall(rf"```{kind}\n(.*?)```", GUIDE, re.DOTALL)
    return [shlex.split(line)[1:] for block in blocks for line in block.splitlines()]


@pytest.fixture
def desk(tmp_path: Path) -> Path:
    """The folder of somebody who has written what the walk-through says."""
    (tmp_path / "recipes").mkdir()
    for name, text in files():
        (tmp_path / name).write_text(text)
    return tmp_path


def test_a_new_family_takes_thirty_lines_and_every_step_of_the_walk_through_works(
    desk: Path,
) -> None:
    """An integrator with a manual at hand is done in an afternoon, or the page lied."""
    (device,) = re.findall(r"```toml\n# device of: site.toml\n(.*?)```", GUIDE, re.DOTALL)
    write_secret(desk / "gate-recorder", "hawser-7")
    write_site(desk, unit(161), device)
    (recipe,) = (text for name, text in files() if name.startswith("recipes/"))

    done = [lastwatt(*step, cwd=desk) for step in steps("sh")]

    assert len(recipe.splitlines()) <= FAMILY_LINES
    assert [each.status for each in done] == [0, 0, 0, 0], [each.out + each.err for each in done]
    shown, paper, recorded, checked = (each.out for each in done)
    assert 'one of off, sleep, default "off"' in shown
    assert 'POST https://192.0.2.20/api/stop {"mode":"off"}' in paper
    assert 'yes  stop (http): POST /api/stop answered 200 OK; state is "stopping"' in recorded
    assert ": error:" not in checked


async def test_the_family_of_the_walk_through_stops_such_a_recorder(desk: Path) -> None:
    """Lines in a file are one thing; a recorder that takes them is another."""
    import asyncio

    (live,) = steps("sh live")
    write_secret(desk / "gate-recorder", PASSWORD)
    async with serving(WebRecorder()) as recorder:
        there = {"192.0.2.20": "127.0.0.1", "user=keeper": f"user={USER}"}
        command = [there.get(word, word) for word in live]
        command += ["--var", f"port={recorder.port}", "--var", "scheme=http"]
        probed = await asyncio.to_thread(lastwatt, *command, cwd=desk)
        stops = len(recorder.stops)
        wrong = await asyncio.to_thread(
            lastwatt, *command, "--act", "stop", cwd=desk, typed="192.0.2.20\n"
        )
        untouched = len(recorder.stops)
        stopped = await asyncio.to_thread(
            lastwatt, *command, "--act", "stop", cwd=desk, typed="127.0.0.1\n"
        )

    assert (probed.status, stops) == (0, 0), probed.out + probed.err
    assert (wrong.status, untouched) == (1, 0)
    assert stopped.status == 0, stopped.out + stopped.err
    assert recorder.stops == [{"mode": "off"}]
    assert recorder.open_sessions == 0
    assert PASSWORD not in probed.out + stopped.out + stopped.err


@pytest.mark.parametrize("name", sorted(listed(SHIPPED)))
async def test_a_shipped_recipe_shows_every_exchange_and_sends_nothing(name: str) -> None:
    """The owner reads what will be sent before anything is."""
    recipe, _ = read_recipe(SHIPPED / f"{name}.toml", Path())
    assert recipe is not None

    acts = await on_paper(bench_of(recipe, {}))

    assert {each.outcome.verdict for each in acts} == {Verdict.ASSUMED}
    assert all(each.outcome.sent for each in acts)
    assert {Act.STOP, Act.QUIESCE} & {each.act for each in acts}
    assert Act.CONFIRM_GONE in {each.act for each in acts} or name == "onvif"


def test_the_exact_exchanges_are_shown_and_the_examples_named(tmp_path: Path) -> None:
    """What stands for a variable by example alone must not pass for the owner's own."""
    done = lastwatt("recipe", "test", "linux-recorder", "--var", "service=rec", cwd=tmp_path)

    assert done.status == 0, done.err
    assert "     run sudo -n systemctl stop rec\n" in done.out
    assert "for want of --var user=… its example stands" in done.out
    assert "--var service" not in done.out
    assert done.out.endswith("nothing was sent\n")


@pytest.mark.parametrize(
    ("name", "recording"),
    [("switch-console", CONSOLE), ("linux-recorder", SERVICE), ("digest-cgi", DIGEST)],
)
def test_a_recorded_device_is_told_all_that_it_answered(
    name: str, recording: str, tmp_path: Path
) -> None:
    """What was written down once can be tried again, without the device."""
    file = tmp_path / "recording.toml"
    file.write_text(recording)
    done = lastwatt("recipe", "test", name, "--recorded", file, "--json", cwd=tmp_path)

    assert done.status == 0, done.out + done.err
    assert done.document["strays"] == done.document["unasked"] == []
    assert {each["verdict"] for each in done.document["acts"]} == {"done"}


def test_a_question_that_the_recording_lacks_fails_and_is_named(desk: Path) -> None:
    """A misspelt path is found at the desk, not in the outage."""
    recipe = desk / "recipes" / "quay-recorder.toml"
    recipe.write_text(recipe.read_text().replace("/api/stop", "/api/stopp"))
    done = lastwatt(
        "recipe", "test", "quay-recorder", "--recorded", "quay.recorded.toml", "--json", cwd=desk
    )

    assert done.status == 1
    assert done.document["ok"] is False
    assert done.document["strays"] == ["POST /api/stopp"]
    assert done.document["unasked"] == ["POST /api/stop"]


@pytest.mark.parametrize(
    ("arguments", "status", "said"),
    [
        (("show", "linx"), 2, 'no recipe is called "linx"; write "linux"'),
        (("test", "linux", "--var", "port=x"), 1, "a whole number is due here"),
        (("test", "linux", "--var", "sevice=a"), 1, "has no such variable"),
        (("test", "linux", "--var", "key=hunter-2"), 2, "a secret never stands on a command line"),
        (("test", "linux", "--var", "port"), 2, "has no ="),
        (("test", "linux", "--act", "stop"), 2, "--act goes with --live"),
        (("test", "linux", "--live", "127.0.0.1"), 1, "recipe linux needs user"),
        (("test", "linux", "--live", "a", "--recorded", "b"), 2, "not both"),
        (("test", "linux", "--recorded", "none.toml"), 2, "cannot be read"),
        (("test", "linux-recorder", "--var", "service=a; reboot"), 1, "it must match"),
    ],
)
def test_what_cannot_be_tried_is_refused_with_a_sentence(
    arguments: tuple[str, ...], status: int, said: str, tmp_path: Path
) -> None:
    """Each slip has its own remedy, and a secret that slipped in is not said again."""
    done = lastwatt("recipe", *arguments, cwd=tmp_path)

    assert done.status == status
    assert said in done.err
    assert "hunter-2" not in done.out + done.err


def test_what_is_not_replayed_is_never_told(desk: Path) -> None:
    """The replay is at this box's own address, where a command would be a command to this box."""
    recipe = desk / "recipes" / "quay-recorder.toml"
    more = """\
[quiesce]
driver = "ssh"
run = "true"
[ssh]
user = "nobody"
key = "{vars.password}"
host_keys = ["SHA256:Zk3vJ8mQ1nT5yR7wB2cX4dF6gH9jK0lP3sV5uA8eI1o"]
"""
    recipe.write_text(recipe.read_text() + more)
    done = lastwatt(
        "recipe", "test", "quay-recorder", "--recorded", "quay.recorded.toml", "--json", cwd=desk
    )

    assert done.status == 0, done.out
    assert {each["driver"] for each in done.document["acts"]} == {"http"}


def test_a_faulty_recipe_is_listed_as_such_beside_the_others(desk: Path) -> None:
    """One half-written file must not hide the twelve that work."""
    (desk / "recipes" / "half.toml").write_text("format = 1\n")
    done = lastwatt("recipe", "list", "--json", cwd=desk)

    assert done.status == 1
    assert set(done.document["faulty"]) == {"half"}
    assert {"linux", "quay-recorder"} <= {each["name"] for each in done.document["recipes"]}


def test_what_is_written_reads_back_as_it_was() -> None:
    """A quote or a backslash in a command must survive the file (TOML 1.0, by tomllib)."""
    odd = 'say "a\\b" \x7f \x01 ü {vars.x}\n'
    tables = {"a": odd, "b c": True, "t": {"x.y": [1, 2.5, {"k": odd}], "e": {}, "n": False}}

    assert tomllib.loads("\n".join(toml_lines(tables))) == tables


def test_the_list_has_what_is_shipped_and_what_lies_in_the_folder(desk: Path) -> None:
    """One command answers: is there one for what stands in this cabinet?"""
    done = lastwatt("recipe", "list", "--json", cwd=desk)

    by_name = {each["name"]: each for each in done.document["recipes"]}
    assert set(by_name) == {*listed(SHIPPED), "quay-recorder"}
    assert by_name["linux"]["shipped"] is True
    assert by_name["quay-recorder"]["shipped"] is False
    assert by_name["quay-recorder"]["drivers"] == ["http"]


@pytest.mark.parametrize(
    "answers",
    [
        ("commands", "by itself", "sudo -n poweroff", "rec stop", "rec start", "1m"),
        ("commands", "by hand", "poweroff", "", ""),
        (
            "session", "by itself", "https", "/in", "name", "word", "data.key", "/out", "/state",
            "PUT", "/power", "state=off", "90s",
        ),
        ("digest", "by itself", "http", "/state", "GET", "/off?now", ""),
    ],
    ids=lambda answers: answers[0],
)  # fmt: skip
def test_what_new_writes_passes_the_test(answers: tuple[str, ...], tmp_path: Path) -> None:
    """The questions suffice: nobody has to know the format to begin."""
    typed = "\n".join(("shed-recorder", "a recorder in the shed", *answers)) + "\n"
    made = lastwatt("recipe", "new", cwd=tmp_path, typed=typed)

    assert made.status == 0, made.err
    tried = lastwatt("recipe", "test", "shed-recorder", cwd=tmp_path)
    assert tried.status == 0, tried.err
    before = (tmp_path / "recipes" / "shed-recorder.toml").read_text()
    again = lastwatt("recipe", "new", cwd=tmp_path, typed=typed)
    assert again.status == 4
    assert (tmp_path / "recipes" / "shed-recorder.toml").read_text() == before


def test_new_leaves_nothing_behind_where_the_answers_do_not_do(tmp_path: Path) -> None:
    """A half-made recipe would be found, and trusted, by the next."""
    typed = "shed-recorder\na recorder\nbasic\nby itself\nhttps\n/\nPOST\nno-slash\n\n\n"
    made = lastwatt("recipe", "new", cwd=tmp_path, typed=typed)
    silent = lastwatt("recipe", "new", cwd=tmp_path)
    outside = lastwatt("recipe", "new", cwd=tmp_path, typed="../shed\n")

    assert (made.status, silent.status, outside.status) == (1, 1, 2)
    assert "write a path from the root" in made.err
    assert list(tmp_path.rglob("*.toml")) == []
