"""Certificates, secrets and folders that the settings point at, and the site folder itself."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path

import pytest

from hissmark.site import SiteError, check_site, load_site

REGISTER = "channel,kind,valve,group,position\nA,valve,XV-1,panel,1\nB,valve,XV-2,panel,2\n"
BROKER = """\
name = "x"
[mqtt]
host = "broker.example"
client_id = "c"
source = [{filter = "plant/#"}]
tls = true
"""


@pytest.fixture(scope="module")
def pem(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two self-signed certificates with their keys, made by OpenSSL."""
    folder = tmp_path_factory.mktemp("pem")
    openssl = shutil.which("openssl")
    assert openssl, "openssl is needed: apt-get install openssl"
    for name in ("one", "two"):
        subprocess.run(
            [openssl, "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", f"/CN={name}",
             "-keyout", f"{folder}/{name}.key", "-out", f"{folder}/{name}.pem"],
            check=True, capture_output=True,
        )  # fmt: skip
    return folder


def site_of(folder: Path, settings: str) -> Path:
    (folder / "site.toml").write_text(settings, "utf-8")
    (folder / "register.csv").write_text(REGISTER, "utf-8")
    return folder


def found(folder: Path, settings: str) -> list[tuple[int | None, str, str]]:
    return [(p.line, p.field, p.severity.value) for p in check_site(site_of(folder, settings))]


def test_good_certificates_are_taken(tmp_path: Path, pem: Path) -> None:
    text = BROKER + f'ca_file = "{pem}/one.pem"\ncert_file = "{pem}/two.pem"\nkey_file = "{pem}/two.key"\n'
    assert found(tmp_path, text) == []
    assert load_site(tmp_path).mqtt.ca_file == pem / "one.pem"


def test_the_key_of_another_certificate_is_refused(tmp_path: Path, pem: Path) -> None:
    text = BROKER + f'cert_file = "{pem}/one.pem"\nkey_file = "{pem}/two.key"\n'
    assert found(tmp_path, text) == [(7, "mqtt.cert_file", "error")]


def test_files_count_from_the_site_folder(tmp_path: Path, pem: Path) -> None:
    (tmp_path / "secrets").mkdir()
    shutil.copy(pem / "one.pem", tmp_path / "secrets" / "ca.pem")
    assert found(tmp_path, BROKER + 'ca_file = "secrets/ca.pem"\n') == []
    assert found(tmp_path, BROKER + 'ca_file = "ca.pem"\n') == [(7, "mqtt.ca_file", "error")]


def test_a_folder_is_no_certificate(tmp_path: Path) -> None:
    assert found(tmp_path, BROKER + 'ca_file = "."\n') == [(7, "mqtt.ca_file", "error")]


def test_a_password_file_that_everybody_may_read(tmp_path: Path) -> None:
    secret = tmp_path / "pw"
    secret.write_text("x\n")
    text = BROKER + 'username = "u"\npassword_file = "pw"\n'
    secret.chmod(0o600)
    assert found(tmp_path, text) == []
    secret.chmod(0o644)
    assert found(tmp_path, text) == [(8, "mqtt.password_file", "warning")]


def test_an_empty_password_file(tmp_path: Path) -> None:
    (tmp_path / "pw").write_text("\n")
    (tmp_path / "pw").chmod(0o600)
    text = BROKER + 'username = "u"\npassword_file = "pw"\n'
    assert found(tmp_path, text) == [(8, "mqtt.password_file", "error")]


def test_a_password_over_an_open_line(tmp_path: Path) -> None:
    (tmp_path / "pw").write_text("x\n")
    (tmp_path / "pw").chmod(0o600)
    text = BROKER.replace("tls = true", "tls = false") + 'username = "u"\npassword_file = "pw"\n'
    assert found(tmp_path, text) == [(8, "mqtt.password_file", "warning")]
    assert found(tmp_path, text.replace("broker.example", "localhost")) == []


def test_file_names_from_the_environment(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """As systemd hands over credentials."""
    place = tmp_path / "credentials"
    place.mkdir()
    (place / "broker").write_text("x")
    (place / "broker").chmod(0o600)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(place))
    text = BROKER + 'username = "u"\npassword_file = "$CREDENTIALS_DIRECTORY/broker"\n'
    assert found(tmp_path, text) == []
    assert load_site(tmp_path).mqtt.password_file == place / "broker"


# The folder itself.


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    (problem,) = check_site(tmp_path / "nowhere")
    assert "does not exist" in problem.message


def test_a_file_is_no_folder(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text("")
    (problem,) = check_site(tmp_path / "site.toml")
    assert "is not a folder" in problem.message


def test_both_files_missing_are_both_named(tmp_path: Path) -> None:
    assert [(p.file, p.line) for p in check_site(tmp_path)] == [("site.toml", None), ("register.csv", None)]


def test_a_site_with_mistakes_is_not_loaded_and_all_are_told(tmp_path: Path) -> None:
    site_of(tmp_path, "[http]\nport = 0\n")
    with pytest.raises(SiteError) as refused:
        load_site(tmp_path)
    assert [p.field for p in refused.value.problems] == ["mqtt", "name", "http.port"]
    assert str(refused.value).splitlines()[0] == "the site has 2 problems:"
    assert "site.toml:2: http.port" in str(refused.value)


def test_a_single_mistake_reads_as_one_line(tmp_path: Path) -> None:
    site_of(tmp_path, 'name = "x"\n[http]\nport = 0\n')
    with pytest.raises(SiteError, match=r"^site\.toml:3: http\.port: 0 is out of range\. Choose .*\.$"):
        load_site(tmp_path)


def test_without_a_broker_a_site_loads_but_has_none_to_listen_to(tmp_path: Path) -> None:
    site = load_site(site_of(tmp_path, 'name = "x"\n'))
    assert list(site.register.valves) == ["XV-1", "XV-2"]
    with pytest.raises(SiteError, match="no broker"):
        _ = site.mqtt
