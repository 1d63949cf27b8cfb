"""The ssh driver against OpenSSH's sshd: who is let in, what is run, and what is made of it."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from pydantic import SecretStr

from drivers.base import Act, Repeat, Stage, Verdict
from tests.drivers.ssh_fitting import Tables, fit, perform, stop_by
from tests.peers.sshd import WATCH, WATCH_PASSWORD, Sshd, binary, make_key, run

pytestmark = pytest.mark.peer

OTHER_PIN = "SHA256:" + "A" * 43


@pytest.fixture(scope="module")
def sshd(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Sshd]:
    """An sshd that runs what it is asked to."""
    with Sshd(tmp_path_factory.mktemp("sshd")) as server:
        yield server


# Who is let in


async def test_probe_tells_who_and_which_key(sshd: Sshd) -> None:
    """Before any outage the owner must see that the login works."""
    outcome = await perform(fit(sshd), Act.PROBE)

    assert outcome.verdict is Verdict.DONE
    assert outcome.evidence == (
        f"logged in as {sshd.user}; host key {sshd.fingerprint()} as pinned"
    )
    assert ("of its own" in outcome.advice) is (sshd.user == "root"), outcome.advice
    assert outcome.sent == (f"log in to 127.0.0.1 port {sshd.port} as {sshd.user} by key",)


ASKED: list[dict[str, str]] = [
    {"run": "true", "fault": "its recording service does not start by itself"},
    {"run": "echo pending: 2", "good": "pending: 0", "fault": "updates wait for a restart"},
]


async def test_probe_asks_what_an_outage_would_meet(sshd: Sshd) -> None:
    """Updates that wait would take half an hour of the battery; they are found by day."""
    outcome = await perform(fit(sshd, probe=ASKED), Act.PROBE)
    well = await perform(fit(sshd, probe=ASKED[:1]), Act.PROBE)

    assert outcome.verdict is Verdict.NOT_YET
    assert "updates wait for a restart" in outcome.evidence
    assert "pending: 2" in outcome.evidence
    assert "by itself" not in outcome.evidence, "that question was answered well"
    assert [line for line in outcome.sent if "pending" in line] == ["run echo pending: 2"]
    assert well.verdict is Verdict.DONE


async def test_dry_probe_shows_its_questions_and_asks_none(sshd: Sshd) -> None:
    """What a probe would run on somebody's recorder is seen before it does."""
    outcome = await perform(fit(sshd, probe=ASKED, dry_run=True), Act.PROBE)

    assert outcome.verdict is Verdict.ASSUMED
    assert {"run true", "run echo pending: 2"} <= set(outcome.sent)


@pytest.mark.parametrize("kind", ["rsa", "ecdsa", "ed25519"])
async def test_keys_of_each_kind_are_taken(tmp_path: Path, kind: str) -> None:
    """Installers bring the keys that they have."""
    make_key(tmp_path / "client", kind)
    with Sshd(tmp_path) as server:
        outcome = await perform(fit(server), Act.PROBE)

    assert outcome.verdict is Verdict.DONE, outcome.evidence


@pytest.mark.parametrize("takes", ["rsa-sha2-512", "ssh-rsa"])
async def test_rsa_key_signs_with_sha2_and_what_takes_only_sha1_is_told_apart(
    tmp_path: Path, takes: str
) -> None:
    """Modern servers refuse SHA-1; for an old one that knows nothing else, the way out is said."""
    make_key(tmp_path / "client", "rsa")
    with Sshd(tmp_path, options=(f"PubkeyAcceptedAlgorithms {takes}",)) as server:
        outcome = await perform(fit(server), Act.PROBE)

    if takes == "rsa-sha2-512":
        assert outcome.verdict is Verdict.DONE, outcome.evidence
    else:
        assert outcome.verdict is Verdict.REFUSED
        assert "knows only SHA-1 needs an ed25519 or ecdsa key, or a password" in outcome.advice


async def test_wrong_key_says_whom_to_let_in(sshd: Sshd, tmp_path: Path) -> None:
    """The commonest mistake: the public half is not on the device."""
    make_key(tmp_path / "other", "ed25519")
    said = run("ssh-keygen", "-lf", str(tmp_path / "other.pub"))
    key = SecretStr((tmp_path / "other").read_text())
    outcome = await perform(fit(sshd, key=key), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert outcome.evidence == f"logging in as {sshd.user} was refused"
    assert f"ssh-ed25519 key {said.split()[1]}: its public half belongs into" in outcome.advice


async def test_locked_key_opens_with_its_passphrase_alone(sshd: Sshd, tmp_path: Path) -> None:
    """A key with a passphrase works; a wrong or missing one is told apart from a wrong key."""
    path = tmp_path / "locked"
    path.write_text(sshd.client_key)
    path.chmod(0o600)
    run("ssh-keygen", "-p", "-P", "", "-N", "half-hitch", "-f", str(path))
    key = SecretStr(path.read_text())
    phrases = (SecretStr("half-hitch"), SecretStr("clove-hitch"), None)
    outcomes = [
        await perform(fit(sshd, key=key, key_passphrase=phrase), Act.PROBE) for phrase in phrases
    ]

    assert [o.verdict for o in outcomes] == [Verdict.DONE, Verdict.REFUSED, Verdict.REFUSED]
    assert outcomes[1].evidence == "the private key cannot be read, or its passphrase is wrong"
    assert outcomes[2].evidence == "the private key is locked by a passphrase"
    assert outcomes[2].sent == ()


async def test_key_that_is_none_is_never_shown(sshd: Sshd) -> None:
    """Somebody will point `key` at the wrong file, perhaps at one that holds a password."""
    outcome = await perform(fit(sshd, key=SecretStr("moor-her-fast-4")), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert "moor" not in repr(outcome)


async def test_password_where_only_keys_are_taken_says_so(sshd: Sshd) -> None:
    """The owner learns what the device takes instead."""
    outcome = await perform(fit(sshd, key=None, password=SecretStr("x")), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert "was refused; the device takes: publickey" in outcome.evidence


@pytest.mark.parametrize(
    ("password", "verdict"),
    [(WATCH_PASSWORD, Verdict.DONE), ("moor-her-loose", Verdict.REFUSED)],
)
@pytest.mark.parametrize("asks", ["password", "keyboard-interactive"])
async def test_password_is_judged_by_the_device(
    tmp_path: Path, password: str, verdict: Verdict, asks: str
) -> None:
    """By either method of RFC 4252 section 8 and RFC 4256, as many devices know only one."""
    options = ("PasswordAuthentication no", "UsePAM yes") if asks != "password" else ()
    with Sshd(tmp_path, has_own_users=True, options=options) as server:
        driver = fit(server, user=WATCH, key=None, password=SecretStr(password))
        outcome = await perform(driver, Act.PROBE)

    assert outcome.verdict is verdict, outcome.evidence
    assert password not in repr(outcome)


async def test_password_helps_where_the_key_is_refused(tmp_path: Path) -> None:
    """With both given, a device reset to its defaults is still reached."""
    options = ("AuthorizedKeysFile none",)
    with Sshd(tmp_path, has_own_users=True, options=options) as server:
        driver = fit(server, user=WATCH, password=SecretStr(WATCH_PASSWORD))
        outcome = await perform(driver, Act.PROBE)

    assert outcome.verdict is Verdict.DONE, outcome.evidence


async def test_device_may_ask_for_key_and_password_both(tmp_path: Path) -> None:
    """Partial success, RFC 4252 section 5.1: the second proof must follow the first."""
    options = ("AuthenticationMethods publickey,password",)
    with Sshd(tmp_path, has_own_users=True, options=options) as server:
        both = fit(server, user=WATCH, password=SecretStr(WATCH_PASSWORD))
        one = fit(server, user=WATCH)
        outcomes = [await perform(driver, Act.PROBE) for driver in (both, one)]

    assert [o.verdict for o in outcomes] == [Verdict.DONE, Verdict.REFUSED]
    assert "takes more than what was given" in outcomes[1].evidence


# Whom we trust


async def test_changed_host_key_is_refused_before_anything_is_sent(sshd: Sshd) -> None:
    """Neither a password nor a command may reach a machine that is not the pinned one."""
    driver = fit(
        sshd, {Stage.STOP: {"run": "true"}}, host_keys=[OTHER_PIN], password=SecretStr("half-hitch")
    )
    outcome = await perform(driver, Act.STOP)

    assert outcome.verdict is Verdict.REFUSED
    assert f"changed from {OTHER_PIN} to {sshd.fingerprint()} (ssh-ed25519)" in outcome.evidence
    assert "compare the new fingerprint with its own console" in outcome.advice
    assert outcome.sent == ()


@pytest.mark.parametrize("pinned", ["rsa", "ecdsa", "ed25519"])
async def test_pin_of_any_of_its_keys_suffices(tmp_path: Path, pinned: str) -> None:
    """A switch prints one fingerprint on its console, and it need not be the one that we prefer."""
    with Sshd(tmp_path, host_key_types=("rsa", "ecdsa", "ed25519")) as server:
        driver = fit(server, host_keys=[OTHER_PIN, server.fingerprint(pinned)])
        first, again = [await perform(driver, Act.PROBE) for _ in range(2)]

    assert first.verdict is again.verdict is Verdict.DONE, first.evidence
    assert server.fingerprint(pinned) in first.evidence


async def test_known_hosts_file_pins(sshd: Sshd, tmp_path: Path) -> None:
    """An installer pins by ssh-keyscan, at the port that the device listens at."""
    path = tmp_path / "known_hosts"
    path.write_text(run("ssh-keyscan", "-p", str(sshd.port), sshd.address))
    driver = fit(sshd, host_keys=None, known_hosts=path)
    outcome = await perform(driver, Act.PROBE)
    assert outcome.verdict is Verdict.DONE, outcome.evidence

    # Read anew: a key that was taken out is no longer trusted.
    path.write_text("")
    outcome = await perform(driver, Act.PROBE)
    assert outcome.verdict is Verdict.REFUSED
    assert outcome.evidence == f"{path} has no host key for 127.0.0.1 port {sshd.port}"
    assert f"ssh-keyscan -p {sshd.port} 127.0.0.1" in outcome.advice


async def test_known_hosts_of_another_kind_of_key_asks_for_that_kind(tmp_path: Path) -> None:
    """A file that knows the RSA key alone must not read the ED25519 one as an impostor's."""
    with Sshd(tmp_path / "sshd", host_key_types=("ed25519", "rsa")) as server:
        line = (tmp_path / "sshd" / "host_rsa.pub").read_text()
        path = tmp_path / "known_hosts"
        path.write_text(f"[127.0.0.1]:{server.port} {line}")
        outcome = await perform(fit(server, host_keys=None, known_hosts=path), Act.PROBE)

    assert outcome.verdict is Verdict.DONE, outcome.evidence
    assert server.fingerprint("rsa") in outcome.evidence


async def test_known_key_of_the_port_22_does_not_vouch_for_another(
    sshd: Sshd, tmp_path: Path
) -> None:
    """Behind one address there may be several machines, told apart by port."""
    line = (sshd.folder / "host_ed25519.pub").read_text()
    (tmp_path / "known_hosts").write_text(f"127.0.0.1 {line}")
    driver = fit(sshd, host_keys=None, known_hosts=tmp_path / "known_hosts")

    assert (await perform(driver, Act.PROBE)).verdict is Verdict.REFUSED


@pytest.mark.parametrize(
    "options",
    [
        ("KexAlgorithms diffie-hellman-group14-sha1",),
        ("HostKeyAlgorithms ssh-rsa",),
    ],
    ids=["key exchange", "host key"],
)
async def test_outdated_device_says_what_to_mend(tmp_path: Path, options: tuple[str, ...]) -> None:
    """One line, not a stack of the library's."""
    with Sshd(tmp_path, host_key_types=("rsa",), options=options) as server:
        outcome = await perform(fit(server), Act.PROBE)

    assert outcome.verdict is Verdict.REFUSED
    assert "only outdated algorithms offered: no acceptable" in outcome.evidence
    assert "update the device's firmware" in outcome.advice


# What is run


async def test_commands_run_in_order_until_one_fails(sshd: Sshd, tmp_path: Path) -> None:
    """What comes after a failed step may rely on it."""
    trace = tmp_path / "trace"
    outcome = await stop_by(
        sshd, run=[f"echo one >> {trace}", f"echo two >> {trace}; exit 4", f"echo three >> {trace}"]
    )

    assert outcome.verdict is Verdict.REFUSED
    assert trace.read_text() == "one\ntwo\n"
    assert outcome.evidence == f'"echo two >> {trace}; exit 4": exit status 4'
    assert len(outcome.sent) == 3  # the log-in and two commands


async def test_success_is_told_by_exit_status_and_last_words(sshd: Sshd) -> None:
    """Standard error counts: many programs tell their success there."""
    outcome = await stop_by(sshd, run="seq 1 2000; echo going down >&2")

    assert outcome.verdict is Verdict.DONE
    assert outcome.evidence.endswith('1998 / 1999 / 2000 / going down"')
    assert len(outcome.evidence) < 300


async def test_output_beyond_every_window_does_not_stall(sshd: Sshd) -> None:
    """A command that writes more than the channel's window (2 MiB) must still end."""
    outcome = await stop_by(sshd, run="head -c 6000000 /dev/zero | tr '\\0' x; echo; echo end")

    assert outcome.verdict is Verdict.DONE
    assert outcome.evidence.endswith('x / end"')


async def test_child_that_keeps_the_output_open_does_not_delay(sshd: Sshd) -> None:
    """A stop script that leaves something running in the background has ended all the same."""
    outcome = await stop_by(sshd, run="sleep 4 & echo told")

    assert outcome.verdict is Verdict.DONE
    assert outcome.took_s < 2.0


async def test_unknown_command_says_so(sshd: Sshd) -> None:
    """A mistyped command is found by a rehearsal on the device, with what to mend."""
    outcome = await stop_by(sshd, run="power-of")

    assert outcome.verdict is Verdict.REFUSED
    assert outcome.advice == "the device knows no such command; mend it in the file"


async def test_forced_command_runs_instead(tmp_path: Path) -> None:
    """A key that may do one thing only (sshd_config: ForceCommand) does that thing."""
    with Sshd(tmp_path, force_command="echo forced: $SSH_ORIGINAL_COMMAND") as server:
        outcome = await stop_by(server, run="poweroff", expect="forced: poweroff")

    assert outcome.verdict is Verdict.DONE, outcome.evidence


@pytest.mark.parametrize(
    ("repeat", "verdict"), [("safe", Verdict.GARBLED), ("look first", Verdict.UNCERTAIN)]
)
async def test_unexpected_output_is_no_success(sshd: Sshd, repeat: str, verdict: Verdict) -> None:
    """Exit status 0 does not do where the file asks for a word; what may have acted is in doubt."""
    outcome = await stop_by(sshd, run="echo busy", expect="stopp(ed|ing)", repeat=repeat)

    assert outcome.verdict is verdict
    assert 'it wrote "busy", and nothing like /stopp(ed|ing)/' in outcome.evidence


async def test_confirmation_is_asked_until_it_holds(sshd: Sshd, tmp_path: Path) -> None:
    """A recorder takes its time to close its files."""
    counter = tmp_path / "asked"
    confirm = f"echo x >> {counter}; [ $(wc -l < {counter}) -ge 3 ]"
    stages = {Stage.QUIESCE: {"run": "true", "confirm": confirm, "every": "0.1s"}}
    driver = fit(sshd, stages)
    outcome = await perform(driver, Act.CONFIRM_QUIESCED)

    assert outcome.verdict is Verdict.DONE
    assert counter.read_text() == "x\n" * 3
    assert len(outcome.sent) == 2  # one look: what each of them sends


@pytest.mark.alone
async def test_confirmation_that_never_holds_is_not_yet(sshd: Sshd) -> None:
    """Time is up: the conductor must hear that the recorder still writes."""
    stages = {Stage.QUIESCE: {"run": "true", "confirm": "exit 3", "every": "0.1s"}}
    outcome = await perform(fit(sshd, stages), Act.CONFIRM_QUIESCED, within_s=3.0)

    assert outcome.verdict is Verdict.NOT_YET
    assert outcome.evidence == '"exit 3": exit status 3'
    assert outcome.took_s <= 3.25


async def test_running_is_confirmed_by_the_login_alone(sshd: Sshd) -> None:
    """A verify table without a command still tells that the device is up."""
    outcome = await perform(fit(sshd, {Stage.VERIFY: {}}), Act.CONFIRM_RUNNING)

    assert outcome.verdict is Verdict.DONE


async def test_gone_is_confirmed_at_the_port_of_the_login(tmp_path: Path) -> None:
    """After a stop the device is verified, not believed."""
    server = Sshd(tmp_path)
    with server:
        driver = fit(server, {Stage.VERIFY: {"settle": "0.3s", "interval": "0.1s"}})
        still_there = await perform(driver, Act.CONFIRM_GONE, within_s=0.6)
    gone = await perform(driver, Act.CONFIRM_GONE, within_s=5.0)

    assert still_there.verdict is Verdict.NOT_YET
    assert gone.verdict is Verdict.DONE
    assert f"127.0.0.1 port {server.port} refused" in gone.evidence


async def test_acts_follow_the_tables(sshd: Sshd) -> None:
    """The conductor repeats an act as its table allows, and no more."""
    stages = {
        Stage.QUIESCE: {"run": "x", "repeat": "never"},
        Stage.STOP: {"run": "x"},
        Stage.START: {"run": "x", "confirm": "y"},
    }

    assert dict(fit(sshd, stages).acts) == {
        Act.PROBE: Repeat.SAFE,
        Act.PREPARE: Repeat.SAFE,
        Act.QUIESCE: Repeat.NEVER,
        Act.STOP: Repeat.LOOK_FIRST,
        Act.START: Repeat.LOOK_FIRST,
        Act.CONFIRM_RUNNING: Repeat.SAFE,
    }


# Secrets on the way


async def test_secret_goes_to_standard_input_alone(sshd: Sshd, tmp_path: Path) -> None:
    """On a command line every user of the device could read it; a device may also repeat it."""
    got = tmp_path / "got"
    secret = SecretStr("sheet-bend-17")
    outcome = await stop_by(
        sshd, run=f"cat > {got}; echo you said; cat {got}; ps ax -o args", stdin_secret=secret
    )

    assert outcome.verdict is Verdict.DONE
    assert got.read_text() == "sheet-bend-17\n"
    assert outcome.sent[1].endswith("ps ax -o args < ***")
    assert "sheet-bend" not in repr(outcome)


async def test_secret_that_the_device_repeats_is_masked(sshd: Sshd) -> None:
    """A device's own words go into the journal, the page and the mail."""
    outcome = await stop_by(sshd, run="cat", stdin_secret=SecretStr("sheet-bend-17"))

    assert outcome.evidence == '"cat": exit status 0; it wrote "***"'


SUDOERS = """Defaults !lecture
watch ALL=(root) PASSWD: /usr/bin/id, NOPASSWD: /bin/true
"""


@pytest.mark.parametrize(
    ("password", "verdict"),
    [(WATCH_PASSWORD, Verdict.DONE), ("granny-knot", Verdict.REFUSED), (None, Verdict.REFUSED)],
)
async def test_sudo_never_hangs_on_its_password(
    tmp_path: Path, password: str | None, verdict: Verdict
) -> None:
    """The real sudo asks again when it rejects a password; nobody is there to answer."""
    binary("sudo", package="sudo")
    with Sshd(tmp_path, has_own_users=True, sudoers=SUDOERS) as server:
        driver = fit(
            server,
            {Stage.STOP: {"run": "sudo -S -p '' id -un", "expect": "^root$"}},
            user=WATCH,
            key=None,
            password=SecretStr(WATCH_PASSWORD),
            sudo_password=None if password is None else SecretStr(password),
        )
        began_at = time.monotonic()
        outcome = await perform(driver, Act.STOP)

    assert outcome.verdict is verdict, outcome.evidence
    assert time.monotonic() - began_at < 8.0  # pam_unix waits 2 s after a wrong password
    assert verdict is Verdict.DONE or "NOPASSWD in sudoers" in outcome.advice


# Rehearsing


async def test_dry_run_says_exactly_what_a_live_one_sends(sshd: Sshd) -> None:
    """What the owner reads in a rehearsal is what the outage will bring."""
    stages: Tables = {
        Stage.STOP: {"run": ["true", "cat"], "stdin_secret": SecretStr("sheet-bend-17")},
        Stage.VERIFY: {"running": "true"},
    }
    live = fit(sshd, stages)
    dry = fit(sshd, stages, dry_run=True)
    for act in (Act.PROBE, Act.STOP, Act.CONFIRM_RUNNING):
        rehearsed, done = await perform(dry, act), await perform(live, act)

        assert rehearsed.verdict is Verdict.ASSUMED
        assert done.verdict is Verdict.DONE
        assert rehearsed.sent == done.sent
