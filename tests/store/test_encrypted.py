"""The way to PostgreSQL, encrypted: a real server with real certificates, good ones and bad ones."""

from __future__ import annotations

import os
import pwd
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from hissmark.store import StoreError, open_store
from support.certificates import Authority
from support.postgres import Postgres

pytestmark = pytest.mark.postgres


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(scope="module")
def server() -> Iterator[Postgres]:
    with Postgres() as made:
        yield made


def served_with(server: Postgres, pair: tuple[Path, Path]) -> None:
    """Have the server present this certificate from now on."""
    folder = Path(str(server.execute("SHOW data_directory")[0][0]))
    owner = pwd.getpwnam("postgres") if os.geteuid() == 0 else None
    for source, name in zip(pair, ("server.crt", "server.key"), strict=True):
        to = folder / name
        shutil.copyfile(source, to)
        to.chmod(0o600)
        if owner is not None:
            os.chown(to, owner.pw_uid, owner.pw_gid)
    server.execute("ALTER SYSTEM SET ssl = on")
    before = server.execute("SELECT pg_conf_load_time()")
    server.execute("SELECT pg_reload_conf()")
    while server.execute("SELECT pg_conf_load_time()") == before:
        pass


def address(server: Postgres, ca: Path, mode: str = "verify-full") -> str:
    name = server.new_database()
    return f"{server.url(name)}?sslmode={mode}&sslrootcert={ca}"


def test_a_good_certificate(server: Postgres, authority: Authority, tmp_path: Path) -> None:
    served_with(server, authority.issue("good", "IP:127.0.0.1"))
    engine = open_store(address(server, authority.cert), tmp_path)
    with engine.connect() as connection:
        query = "SELECT ssl, version FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
        encrypted, version = connection.execute(sa.text(query)).one()
    engine.dispose()
    assert encrypted
    assert version in ("TLSv1.2", "TLSv1.3")


@pytest.mark.parametrize(
    ("case", "words"),
    [
        ("expired", "verify failed"),
        ("other host", "does not match"),
        ("other authority", "self-signed|verify failed"),
    ],
)
def test_certificates_that_are_not_to_be_trusted(
    server: Postgres, authority: Authority, tmp_path: Path, case: str, words: str
) -> None:
    signer = Authority(tmp_path / "ca", "Somebody else") if case == "other authority" else authority
    names = "DNS:elsewhere.example" if case == "other host" else "IP:127.0.0.1"
    served_with(server, signer.issue(case.replace(" ", "-"), names, expired=case == "expired"))
    with pytest.raises(StoreError, match=f"certificate.* is not to be trusted.*({words})") as caught:
        open_store(address(server, authority.cert), tmp_path)
    assert "sslrootcert" in str(caught.value)


def test_a_server_that_does_not_encrypt(postgres: Postgres, authority: Authority, tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"does not encrypt.*sslmode"):
        open_store(address(postgres, authority.cert), tmp_path)
