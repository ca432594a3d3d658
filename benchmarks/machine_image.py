"""A machine's disk: Debian with systemd, the project's files, and nothing of ours installed yet.

``python -m benchmarks run machine_image FOLDER`` makes it; the campaigns on it
make it by themselves.
It needs root, ``debootstrap`` and ``mke2fs`` (``apt-get install debootstrap e2fsprogs``), a Debian
mirror and a package index; the machine itself has no way out. Installing holdwatch is left to the
machine, word for word as docs/service.md says.
"""

from __future__ import annotations

import argparse
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Final

PROJECT: Final = Path(__file__).resolve().parents[1]
MIRROR: Final = "http://deb.debian.org/debian"
RELEASE: Final = "bookworm"
DISK_MB: Final = 3000
_PACKAGES: Final = (
    *("systemd", "systemd-sysv", "udev", "kmod", "dbus", "sudo", "procps", "iproute2"),
    *("python3", "python3-venv", "bluez"),
    *("libpango-1.0-0", "libpangoft2-1.0-0", "linux-image-cloud-amd64"),
)
DESK_PORT: Final = 7000
_FILES: Final = {
    "etc/hostname": "garage\n",
    "etc/hosts": "127.0.0.1 localhost garage\n",
    "etc/fstab": "/dev/vda / ext4 defaults 0 1\n",
    # The machine's only index: what was fetched outside.
    "etc/pip.conf": "[global]\nno-index = true\nfind-links = /opt/wheels\n",
    "etc/sudoers.d/mechanic": "mechanic ALL=(ALL) NOPASSWD: ALL\n",
    "etc/systemd/network/lan.network": "[Match]\nName=en*\n[Network]\nDHCP=ipv4\n",
    "etc/systemd/system/desk.socket": (
        f"[Socket]\nListenStream={DESK_PORT}\nAccept=yes\n[Install]\nWantedBy=sockets.target\n"
    ),
    # Whoever sits at the machine: a script up to a zero byte, its output, and its exit status.
    "etc/systemd/system/desk@.service": (
        "[Unit]\nCollectMode=inactive-or-failed\n"
        "[Service]\nUser=mechanic\nWorkingDirectory=/home/mechanic/holdwatch\n"
        "StandardInput=socket\nStandardOutput=socket\nStandardError=socket\n"
        'ExecStart=/bin/bash -c \'IFS= read -r -d "" script;'
        ' bash -c "$$script" </dev/null 2>&1; printf "\\\\nstatus %%s\\\\n" $$?\'\n'
    ),
    # What the disk holds when the machine comes up, before anything of ours opens it.
    "etc/systemd/system/as-found.service": (
        "[Unit]\nBefore=holdwatch.service\nRequiresMountsFor=/var/lib/holdwatch\n"
        "ConditionPathExists=/var/lib/holdwatch/holdwatch.db\n"
        "[Service]\nType=oneshot\n"
        "ExecStart=/bin/bash -c 'rm -rf /var/tmp/found; cp -a /var/lib/holdwatch /var/tmp/found'\n"
        "[Install]\nWantedBy=multi-user.target\n"
    ),
}
_LINKS: Final = {
    "etc/systemd/system/sockets.target.wants/desk.socket": "/etc/systemd/system/desk.socket",
    "etc/systemd/system/multi-user.target.wants/as-found.service": (
        "/etc/systemd/system/as-found.service"
    ),
}


def _run(*command: str | Path, cwd: Path | None = None) -> None:
    done = subprocess.run(
        [str(part) for part in command], cwd=cwd, capture_output=True, text=True, check=False
    )
    if done.returncode:
        raise SystemExit(
            f"{' '.join(map(str, command))}\n{done.stdout[-1500:]}{done.stderr[-1500:]}"
        )


def _need(*programs: str) -> None:
    missing = [each for each in programs if shutil.which(each) is None]
    if missing:
        raise SystemExit(f"not installed: {', '.join(missing)}; see the head of this file")


def debian(folder: Path) -> Path:
    """Lay Debian and the wheels out in a folder, once; return its root."""
    root = folder / "root"
    if (root / "made").exists():
        return root
    _need("debootstrap")
    shutil.rmtree(root, ignore_errors=True)
    packages = ",".join(_PACKAGES)
    _run("debootstrap", "--variant=minbase", f"--include={packages}", RELEASE, root, MIRROR)
    _run("chroot", root, "useradd", "--create-home", "--shell", "/bin/bash", "mechanic")
    for unit in ("systemd-networkd.service", "systemd-networkd-wait-online.service"):
        _run("chroot", root, "systemctl", "enable", unit)
    for name, text in _FILES.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    for name, target in _LINKS.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).symlink_to(target)
    wheels = root / "opt" / "wheels"
    python = ("chroot", root, "python3", "--version")
    inside = subprocess.run(python, capture_output=True, text=True, check=True).stdout
    if inside.split()[1].split(".")[:2] != [str(part) for part in sys.version_info[:2]]:
        raise SystemExit(f"the wheels are fetched for this Python; the machine has {inside}")
    pip = (sys.executable, "-m", "pip", "wheel", "-q", "-c", "constraints.txt", "-w", wheels)
    _run(*pip, ".[pdf]", "hatchling>=1.27", cwd=PROJECT)
    for own in wheels.glob("holdwatch-*.whl"):
        own.unlink()  # the machine builds it itself
    (root / "made").touch()
    return root


def project_into(root: Path) -> None:
    """Put the project's files, as they are now, where the mechanic has them."""
    target = root / "home" / "mechanic" / "holdwatch"
    shutil.rmtree(target, ignore_errors=True)
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=PROJECT, capture_output=True, text=True, check=True
    ).stdout
    for name in filter(None, listed.split("\0")):
        if not name.startswith(("tests/", ".")) and (PROJECT / name).exists():
            (target / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(PROJECT / name, target / name)
    _run("chroot", root, "chown", "-R", "mechanic:", "/home/mechanic")


def make_disk(folder: Path) -> Path:
    """Make a fresh disk of the laid out folder; return the image."""
    _need("mke2fs")
    root = debian(folder)
    project_into(root)
    disk = folder / "fresh.img"
    disk.unlink(missing_ok=True)
    _run("mke2fs", "-q", "-t", "ext4", "-d", root, disk, f"{DISK_MB}M")
    return disk


def kernel_of(folder: Path) -> tuple[Path, Path]:
    """Return the kernel and its initial file system."""
    boot = folder / "root" / "boot"
    return max(boot.glob("vmlinuz-*")), max(boot.glob("initrd.img-*"))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    print(make_disk(parser.parse_args().folder))
