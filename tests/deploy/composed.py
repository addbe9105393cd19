"""Services of the compose file, each a bundle that an OCI runtime runs as the file says, where no daemon is.

Read here is every key of a service that the file uses, by the Compose Specification and the OCI Runtime
Specification 1.0, from memory; a key that is not known here ends the test, so that none is passed over.
What a daemon would add and this does not: its seccomp and AppArmor profiles, and starting again. Limits that
root may not raise here are left as they are.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

ORDINARY = ("CAP_CHOWN", "CAP_DAC_OVERRIDE", "CAP_KILL", "CAP_NET_BIND_SERVICE", "CAP_SETGID", "CAP_SETUID")
WITHOUT_A_RUNTIME = {"image", "build", "depends_on", "profiles", "restart", "stop_grace_period"}
READ = {
    "command",
    "network_mode",
    "user",
    "read_only",
    "cap_drop",
    "security_opt",
    "tmpfs",
    "ulimits",
    "volumes",
}
KERNEL = (
    {"destination": "/proc", "type": "proc", "source": "proc"},
    {"destination": "/dev", "type": "tmpfs", "source": "tmpfs", "options": ["nosuid", "mode=755"]},
    {"destination": "/dev/shm", "type": "tmpfs", "source": "shm", "options": ["nosuid", "nodev", "noexec"]},
    {
        "destination": "/sys",
        "type": "sysfs",
        "source": "sysfs",
        "options": ["ro", "nosuid", "nodev", "noexec"],
    },
)


def may_limit(key: str, most: int) -> bool:
    """Whether root of this machine may set that limit; one without CAP_SYS_RESOURCE may raise none."""
    tried = subprocess.run(["prlimit", f"--{key}={most}:{most}", "true"], capture_output=True, check=False)
    return tried.returncode == 0


class Service:
    """One service, beside `folder`, from an image's files at `root` with its `config`; `start` to `stop`."""

    def __init__(
        self,
        name: str,
        said: Mapping[str, Any],
        *,
        folder: Path,
        root: Path,
        config: Mapping[str, Any],
        netns: str,
    ) -> None:
        unknown = set(said) - READ - WITHOUT_A_RUNTIME
        assert not unknown, f"{name}: no one here knows what {', '.join(sorted(unknown))} would do"
        self.name = f"{netns}-{name}"
        self.folder = folder
        self._said, self._root, self._config = said, root, config
        self._netns = netns
        self._running: subprocess.Popen[bytes] | None = None
        self.log = folder / f"{name}.log"
        self.grace_s = float(str(said.get("stop_grace_period", "10s")).removesuffix("s"))

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Another command in a container of this service, to its end."""
        name = f"{self.name}-once"
        return subprocess.run(
            self._words("run", "--bundle", self._bundle(name, words), name),
            capture_output=True,
            text=True,
            check=False,
            timeout=300,
        )

    def inside(self, *words: str) -> subprocess.CompletedProcess[str]:
        """A command in the container that runs."""
        return subprocess.run(
            self._words("exec", "--user", self._said.get("user", "0:0"), self.name, *words),
            capture_output=True,
            text=True,
            check=False,
            timeout=120,
        )

    def start(self) -> None:
        bundle = self._bundle(self.name, self._said.get("command") or self._config.get("Cmd") or ())
        with self.log.open("ab") as log:
            self._running = subprocess.Popen(
                self._words("run", "--bundle", bundle, self.name),
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=log,
            )

    def stop(self) -> int:
        """Its exit code after SIGTERM, -9 when it outlives the grace that the file gives."""
        assert self._running is not None
        subprocess.run(self._words("kill", self.name, "TERM"), capture_output=True, check=False)
        try:
            return self._running.wait(self.grace_s)
        except subprocess.TimeoutExpired:
            subprocess.run(self._words("kill", self.name, "KILL"), capture_output=True, check=False)
            self._running.wait(30)
            return -signal.SIGKILL

    def told(self) -> str:
        """What it has said so far."""
        return self.log.read_text() if self.log.exists() else ""

    def end(self) -> None:
        """Leave nothing of it."""
        if self._running is not None and self._running.poll() is None:
            subprocess.run(self._words("kill", self.name, "KILL"), capture_output=True, check=False)
            self._running.wait(30)

    def _words(self, *words: str | Path) -> list[str | Path]:
        runtime = ["crun", "--cgroup-manager=disabled", f"--root={self.folder / 'runtime'}"]
        # not by ip-netns, whose /sys has no control groups; the runtime takes no mixture of their two kinds
        there = ["nsenter", f"--net=/run/netns/{self._netns}", "unshare", "--mount", "sh", "-c"]
        return [*there, 'mount -t cgroup2 none /sys/fs/cgroup && exec "$@"', "sh", *runtime, *words]

    def _bundle(self, name: str, words: Sequence[str]) -> Path:
        bundle = self.folder / "bundles" / name
        bundle.mkdir(parents=True, exist_ok=True)
        (bundle / "config.json").write_text(json.dumps(self._oci(words)))
        return bundle

    def _oci(self, words: Sequence[str]) -> dict[str, Any]:
        said = self._said
        uid, gid = (int(number) for number in str(said.get("user", "0:0")).split(":"))
        assert said.get("cap_drop", []) in ([], ["ALL"])
        kept = [] if said.get("cap_drop") else list(ORDINARY)
        assert said.get("security_opt", []) in ([], ["no-new-privileges:true"])
        separate = [{"type": kind} for kind in ("pid", "mount", "ipc", "uts")]
        if said.get("network_mode") != "host":
            separate.append({"type": "network"})
        limits = [
            {"type": f"RLIMIT_{key.upper()}", "hard": most, "soft": most}
            for key, most in said.get("ulimits", {}).items()
            if may_limit(key, most)
        ]
        return {
            "ociVersion": "1.0.2",
            "root": {"path": str(self._root), "readonly": bool(said.get("read_only"))},
            "process": {
                "user": {"uid": uid, "gid": gid},
                "args": [*self._config["Entrypoint"], *words],
                "env": list(self._config["Env"]),
                "cwd": "/",
                "noNewPrivileges": bool(said.get("security_opt")),
                "capabilities": {each: kept for each in ("bounding", "effective", "permitted")},
                "rlimits": limits,
            },
            "mounts": [*KERNEL, *self._tmpfs(), *self._volumes()],
            "linux": {"namespaces": separate},
        }

    def _tmpfs(self) -> list[dict[str, Any]]:
        options = ["nosuid", "nodev", "noexec", "mode=1777"]
        places = self._said.get("tmpfs", ())
        return [
            {"destination": each, "type": "tmpfs", "source": "tmpfs", "options": options} for each in places
        ]

    def _volumes(self) -> list[dict[str, Any]]:
        made = []
        for volume in self._said.get("volumes", ()):
            here, there, *how = volume.split(":")
            options = ["rbind", *(how or ["rw"])]
            place = os.path.normpath(self.folder / here)
            made.append({"destination": there, "type": "bind", "source": place, "options": options})
        return made
