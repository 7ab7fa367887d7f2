"""Users, guessing, sessions, tokens and the audit journal, on SQLite and PostgreSQL."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa
from hypothesis import given, settings
from hypothesis import strategies as st

from hissmark.access import book as book_module
from hissmark.access import limits, passwords
from hissmark.access.errors import AccessError, RefusedError
from hissmark.access.limits import ADDRESS, NAME, NAME_AT_ADDRESS, Limit
from hissmark.access.roles import Role
from hissmark.store.errors import StoreError
from support.people import BY, PASSWORD, People

HERE, THERE = "10.0.0.9", "10.0.0.10"


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def people(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[People]:
    """Nobody yet, on either database."""
    url = "sqlite:///data/hissmark.db"
    if request.param == "postgres":
        url = request.getfixturevalue("postgres_url")
    made = People(tmp_path, url)
    yield made
    made.close()


@pytest.fixture
def otto(people: People, monkeypatch: pytest.MonkeyPatch) -> People:
    """One operator, and a hash that costs nothing: here the counting is tried, not the hashing."""
    monkeypatch.setattr(passwords, "hashed", lambda password: f"hash of {password}")
    monkeypatch.setattr(passwords, "matches", lambda stored, password: stored == f"hash of {password}")
    monkeypatch.setattr(passwords, "is_outdated", lambda stored: False)
    people.book.add("otto", Role.OPERATOR, PASSWORD, BY)
    return people


def refused(people: People, password: str = "wrong", name: str = "otto", address: str = HERE) -> float:
    """A try that must fail; the wait it earned."""
    with pytest.raises(RefusedError) as caught:
        people.book.sign_in(name, password, address)
    return caught.value.wait_s


# --- guessing ---


@settings(deadline=None)
@given(st.integers(0, 200), st.sampled_from([NAME_AT_ADDRESS, ADDRESS, NAME]))
def test_the_wait_grows_and_is_bounded(failures: int, limit: Limit) -> None:
    wait = limit.wait_s(failures)
    assert wait == 0 if failures < limit.free else 2 <= wait <= limit.longest_s
    assert limit.wait_s(failures + 1) >= wait


def test_each_further_failure_doubles_the_wait(otto: People) -> None:
    waits = []
    for _ in range(16):
        waits.append(refused(otto))
        otto.clock.pass_s(waits[-1])
    assert waits == [0, 0, 0, 0, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900]


def test_the_right_password_does_not_help_while_waiting(otto: People) -> None:
    for _ in range(5):
        refused(otto)
    assert refused(otto, PASSWORD) == 2
    otto.clock.pass_s(2)
    assert otto.book.sign_in("otto", PASSWORD, HERE)


def test_who_got_in_begins_anew(otto: People) -> None:
    for _ in range(4):
        refused(otto)
    otto.book.sign_in("otto", PASSWORD, HERE)
    assert [refused(otto) for _ in range(4)] == [0, 0, 0, 0]


def test_the_count_survives_a_restart(otto: People) -> None:
    for _ in range(5):
        refused(otto)
    with pytest.raises(RefusedError, match="wait 2 seconds"):
        otto.again().sign_in("otto", PASSWORD, HERE)


def test_a_guesser_elsewhere_does_not_lock_out_the_operator(otto: People) -> None:
    """Even from many addresses the name is closed for a minute at most."""
    for i in range(60):
        refused(otto, address=f"192.0.2.{i}")
    assert 0 < refused(otto, PASSWORD) <= 60
    otto.clock.pass_s(60)
    assert otto.book.sign_in("otto", PASSWORD, HERE)


def test_one_address_with_many_names_is_slowed_down(otto: People) -> None:
    waits = [refused(otto, name=f"name {i}") for i in range(20)]
    assert waits[:19] == [0] * 19
    assert waits[19] == 2
    assert refused(otto, PASSWORD, address=HERE) == 2
    assert otto.book.sign_in("otto", PASSWORD, THERE)


def test_failures_are_forgotten_after_a_day(otto: People) -> None:
    for _ in range(5):
        refused(otto)
    otto.clock.pass_s(limits.FORGET_S + 1)
    assert refused(otto) == 0


def test_a_new_password_ends_the_wait(otto: People) -> None:
    for _ in range(9):
        otto.clock.pass_s(refused(otto))
    refused(otto)
    otto.book.set_password("otto", PASSWORD + "!", BY)
    assert otto.book.sign_in("otto", PASSWORD + "!", THERE)
    assert otto.book.sign_in("otto", PASSWORD + "!", HERE)


def test_guesses_at_the_same_time_are_counted_one_by_one(otto: People) -> None:
    """Thirty at once: five are looked at, the others have to wait."""
    looked_at = []
    before = passwords.matches

    def counted(stored: str | None, password: str) -> bool:
        looked_at.append(password)
        return before(stored, password)

    passwords.matches = counted  # put back by the fixture
    tries = [threading.Thread(target=refused, args=(otto, f"guess {i}")) for i in range(30)]
    for one in tries:
        one.start()
    for one in tries:
        one.join()
    assert len(looked_at) == 5


def test_the_list_of_guessers_is_bounded(otto: People, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "MOST_ROWS", 30)
    for i in range(40):
        otto.clock.pass_s(1)
        refused(otto, name=f"name {i}", address=f"192.0.2.{i}")
    with otto.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM sign_in_failures").scalar_one() == 30


def test_failures_cannot_fill_the_record(otto: People, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(book_module, "MOST_FAILURES_AN_HOUR", 7)
    otto.book = otto.again()
    for hour, wanted in ((0, 7), (1, 14)):
        otto.clock.pass_s(3600)
        for i in range(20):
            refused(otto, name=f"name {hour} {i}", address=f"192.0.2.{i}")
        assert len([row for row in otto.book.audit() if row.event == "sign-in-failed"]) == wanted


def test_too_many_at_once_are_told(otto: People, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(book_module, "_PATIENCE_S", 0.05)
    with otto.book._one_at_a_time, pytest.raises(RefusedError, match="Try again"):
        otto.book.sign_in("otto", PASSWORD, HERE)


@pytest.mark.parametrize("name", ["", "\0", "x" * 10_000, "a|b", "' OR 1=1 --", "\ud800", "otto%"])
def test_no_name_breaks_it(otto: People, name: str) -> None:
    assert refused(otto, PASSWORD, name=name) == 0


# --- users ---


@pytest.mark.parametrize("name", ["", " ", "a\nb", "x" * 65, "<b>", "a  b", "a|b", "\u202egnp"])
def test_names_that_cannot_be_shown(people: People, name: str) -> None:
    with pytest.raises(AccessError, match="cannot be the name of a user"):
        people.book.add(name, Role.VIEWER, PASSWORD, BY)


def test_names_differ_by_more_than_capitals(people: People) -> None:
    people.book.add("\u00c5se Berg", Role.VIEWER, PASSWORD, BY)
    with pytest.raises(AccessError, match="There is a user"):
        people.book.add("\u00e5se berg", Role.ADMINISTRATOR, PASSWORD, BY)


def test_unknown_users_are_answered_with_the_known(people: People) -> None:
    people.book.add("otto", Role.VIEWER, PASSWORD, BY)
    for change in (
        lambda: people.book.disable("oto", BY),
        lambda: people.book.set_role("oto", Role.VIEWER, BY),
        lambda: people.book.create_token("oto", "", None, 1, BY),
        lambda: people.book.set_password("oto", PASSWORD, BY),
    ):
        with pytest.raises(AccessError, match=r"no user 'oto'\. Users are: otto\."):
            change()


def test_old_hashes_are_renewed_when_their_owner_signs_in(people: People) -> None:
    people.book.add("otto", Role.VIEWER, PASSWORD, BY)
    weak = passwords.PasswordHasher(time_cost=1, memory_cost=8192, parallelism=1).hash(PASSWORD)
    with people.engine.begin() as connection:
        connection.execute(sa.text("UPDATE users SET password_hash = :h"), {"h": weak})
    people.book.sign_in("otto", PASSWORD, HERE)
    with people.engine.connect() as connection:
        assert "m=65536,t=3,p=4" in connection.exec_driver_sql("SELECT password_hash FROM users").scalar_one()


# --- sessions and tokens ---


def test_old_sessions_are_cleared_away(otto: People, monkeypatch: pytest.MonkeyPatch) -> None:
    """Those that are over, and the oldest of somebody who never signs out."""
    monkeypatch.setattr("hissmark.access.sessions.MOST_PER_USER", 3)
    secrets = []
    for _ in range(5):
        otto.clock.pass_s(1)
        secrets.append(otto.book.sign_in("otto", PASSWORD, HERE))
    assert [otto.book.of_session(s) is not None for s in secrets] == [False, False, True, True, True]
    otto.clock.pass_s(13 * 3600)
    otto.book.sign_in("otto", PASSWORD, HERE)
    with otto.engine.connect() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM sessions").scalar_one() == 1


def test_a_token_is_not_above_its_user(otto: People) -> None:
    with pytest.raises(AccessError, match="otto is operator; a token of theirs cannot be engineer"):
        otto.book.create_token("otto", "", Role.ENGINEER, 1, BY)
    for days in (0, -1, 4000, float("inf"), float("nan")):
        with pytest.raises(AccessError, match="lasts at most"):
            otto.book.create_token("otto", "", None, days, BY)
    otto.book.disable("otto", BY)
    with pytest.raises(AccessError, match="disabled"):
        otto.book.create_token("otto", "", None, 1, BY)


def test_last_use_of_a_token_is_known(otto: People) -> None:
    _, secret = otto.book.create_token("otto", "shift log", None, 1, BY)
    assert otto.book.tokens()[0].used_us is None
    otto.clock.pass_s(60)
    otto.book.of_token(secret)
    assert otto.book.tokens()[0].used_us == otto.clock.at_us


@settings(deadline=None)
@given(st.text(max_size=60))
def test_no_made_up_secret_opens_anything(tmp_path_factory: pytest.TempPathFactory, secret: str) -> None:
    made = _shared(tmp_path_factory)
    for text in (secret, f"hissmark_{secret}"):
        assert made.book.of_session(text) is None
        assert made.book.of_token(text) is None


_one: list[People] = []


def _shared(factory: pytest.TempPathFactory) -> People:
    if not _one:
        _one.append(People(factory.mktemp("shared")))
        _one[0].book.add("otto", Role.OPERATOR, PASSWORD, BY)
        _one[0].book.create_token("otto", "", None, 1, BY)
    return _one[0]


# --- the audit journal ---


def test_everything_is_on_record(otto: People) -> None:
    book = otto.book
    refused(otto)
    secret = book.sign_in("otto", PASSWORD, HERE)
    book.sign_out(secret, HERE)
    book.sign_out(secret, HERE)
    book.set_role("otto", Role.ENGINEER, BY)
    number, _ = book.create_token("otto", "log", Role.VIEWER, 30, BY)
    book.revoke_token(number, BY)
    book.set_password("otto", PASSWORD + "!", BY)
    book.disable("otto", BY)
    book.enable("otto", BY)
    found = [(row.who, row.address, row.event, row.detail) for row in book.audit()[::-1]]
    by = (BY.who, BY.address)
    assert found == [
        (*by, "user-added", "otto, operator"),
        ("otto", HERE, "sign-in-failed", ""),
        ("otto", HERE, "signed-in", ""),
        ("otto", HERE, "signed-out", ""),
        (*by, "role-changed", "otto: operator to engineer"),
        (*by, "token-created", "1 of otto, viewer, 30 days, log"),
        (*by, "token-revoked", "1 of otto"),
        (*by, "password-changed", "otto"),
        (*by, "disabled", "otto"),
        (*by, "enabled", "otto"),
    ]
    assert [row.seq for row in book.audit(before_seq=4, limit=2)] == [3, 2]


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audit SET who = 'nobody'",
        "DELETE FROM audit",
        "INSERT OR REPLACE INTO audit VALUES (1, 1, 'nobody', '', '', '')",
        "TRUNCATE audit",
    ],
)
def test_the_record_cannot_be_changed(otto: People, statement: str) -> None:
    """Not even by SQL: the database refuses."""
    only_there = {"INSERT OR": "sqlite", "TRUNCATE": "postgresql"}
    kind = next(
        (k for start, k in only_there.items() if statement.startswith(start)), otto.engine.dialect.name
    )
    if kind != otto.engine.dialect.name:
        pytest.skip(f"no such statement but in {kind}")
    before = otto.book.audit()
    with pytest.raises(sa.exc.DBAPIError, match="append-only"), otto.engine.begin() as connection:
        connection.exec_driver_sql(statement)
    assert otto.book.audit() == before


def test_trouble_with_the_store_is_told(otto: People) -> None:
    with otto.engine.begin() as connection:
        connection.exec_driver_sql("DROP TABLE tokens")
    with pytest.raises(StoreError):
        otto.book.tokens()
