"""The Kubernetes manifests against the schemas of Kubernetes itself, and against what they promise."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import kubernetes_validate
import pytest
import yaml

from hissmark.site.load import check_site
from hissmark.site.problems import Severity
from support.certificates import Authority

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "deploy" / "kubernetes"
KUSTOMIZATION = yaml.safe_load((FOLDER / "kustomization.yaml").read_text("utf-8"))
OBJECTS: list[dict[str, Any]] = [
    found
    for name in KUSTOMIZATION["resources"]
    for found in yaml.safe_load_all((FOLDER / name).read_text("utf-8"))
]
VERSIONS = ("1.31", "1.34")


def one(kind: str) -> dict[str, Any]:
    (found,) = (each for each in OBJECTS if each["kind"] == kind)
    return found


def pod() -> dict[str, Any]:
    spec: dict[str, Any] = one("StatefulSet")["spec"]["template"]["spec"]
    return spec


def containers() -> list[dict[str, Any]]:
    return [*pod()["initContainers"], *pod()["containers"]]


@pytest.mark.parametrize("version", VERSIONS)
def test_kubernetes_understands_every_manifest(version: str) -> None:
    """Strictly: a field that does not exist is an error, not passed over."""
    for each in OBJECTS:
        kubernetes_validate.validate(each, version, strict=True)
    sound = one("StatefulSet")
    misspelt = {**sound, "spec": {**sound["spec"], "replica": 2}}
    with pytest.raises(kubernetes_validate.ValidationError):
        kubernetes_validate.validate(misspelt, version, strict=True)


def test_pod_is_confined() -> None:
    """The restricted profile of the Pod Security Standards, and a root file system that cannot be written."""
    whole = pod()["securityContext"]
    assert whole["runAsNonRoot"] is True
    assert whole["runAsUser"] == 10001
    assert whole["seccompProfile"] == {"type": "RuntimeDefault"}
    assert pod()["automountServiceAccountToken"] is False
    for container in containers():
        assert container["securityContext"] == {
            "allowPrivilegeEscalation": False,
            "readOnlyRootFilesystem": True,
            "capabilities": {"drop": ["ALL"]},
        }
        assert "memory" in container["resources"]["limits"]


def test_one_of_it_that_is_given_time_to_stop() -> None:
    assert one("StatefulSet")["spec"]["replicas"] == 1
    assert pod()["terminationGracePeriodSeconds"] > 10
    assert one("PodDisruptionBudget")["spec"]["maxUnavailable"] == 0


def test_selectors_ports_and_volumes_fit_together() -> None:
    template = one("StatefulSet")["spec"]["template"]["metadata"]["labels"]
    assert one("StatefulSet")["spec"]["selector"]["matchLabels"] == template
    assert one("PodDisruptionBudget")["spec"]["selector"]["matchLabels"] == template
    assert one("NetworkPolicy")["spec"]["podSelector"]["matchLabels"] == template
    assert one("Service")["spec"]["selector"] == template
    (port,) = pod()["containers"][0]["ports"]
    assert one("Service")["spec"]["ports"][0]["targetPort"] == port["name"]
    assert one("NetworkPolicy")["spec"]["ingress"][0]["ports"][0]["port"] == port["containerPort"]
    known = {v["name"] for v in pod()["volumes"]}
    known |= {c["metadata"]["name"] for c in one("StatefulSet")["spec"]["volumeClaimTemplates"]}
    for container in containers():
        assert {m["name"] for m in container["volumeMounts"]} == known


def test_probes_do_not_restart_for_a_broker_that_is_away() -> None:
    (container,) = pod()["containers"]
    for name in ("startupProbe", "livenessProbe", "readinessProbe"):
        assert container[name]["httpGet"] == {"path": "/health/live", "port": "https", "scheme": "HTTPS"}


def test_its_site_is_accepted_and_finds_its_secrets(tmp_path: Path) -> None:
    """Each file that site.toml names is mounted from a secret that the instructions make."""
    text = (FOLDER / "site.toml").read_text("utf-8")
    authority = Authority(tmp_path / "ca")
    cert, key = authority.issue("page", "DNS:leaks.north.example")
    password = tmp_path / "password"
    password.write_text("secret")
    password.chmod(0o600)
    moved = {
        "/run/secrets/hissmark/broker_password": password,
        "/run/secrets/broker-ca/ca.crt": authority.cert,
        "/run/secrets/tls/tls.crt": cert,
        "/run/secrets/tls/tls.key": key,
    }
    mounts = [m["mountPath"] for m in containers()[0]["volumeMounts"]]
    for ours, theirs in moved.items():
        assert f'"{ours}"' in text
        assert str(Path(ours).parent) in mounts
        text = text.replace(ours, str(theirs))
    assert "/run/secrets" not in text
    (tmp_path / "site.toml").write_text(text)
    shutil.copy(ROOT / "config" / "register.csv", tmp_path)
    assert [str(p) for p in check_site(tmp_path) if p.severity is Severity.ERROR] == []
    said = (FOLDER / "kustomization.yaml").read_text("utf-8")
    for volume in pod()["volumes"]:
        if "secret" in volume:
            assert volume["secret"]["secretName"] in said
