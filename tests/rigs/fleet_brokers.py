"""The chain's broker and the shops' with their bridges, made of the very files in deploy/."""

from __future__ import annotations

import getpass
import subprocess
from pathlib import Path

from mosquitto_fixture import HOST, free_port
from system_parts import require

DEPLOY = Path(__file__).parents[2] / "deploy"
SITES = ("county-library", "harbour-garage")
PASSWORDS = {name: f"word-of-{name}" for name in (*SITES, "fleet")}


class Broker:
    """A Mosquitto made of a file of ours with its capitals replaced."""

    def __init__(self, folder: Path, file: str, **words: str) -> None:
        folder.mkdir()
        self.port = free_port()
        text = (DEPLOY / file).read_text()
        for word, value in words.items():
            text = text.replace(word.replace("_", "-"), value)
        text = text.replace("/var/lib/mosquitto/", f"{folder}/")
        text = text.replace("listener 1883", f"listener {self.port}")
        text = text.replace("listener 8883", f"listener {self.port} {HOST}")
        text = text.replace("#topic", "topic")  # live values too
        text = text.replace("restart_timeout 2 60", "restart_timeout 1 1")
        self._config = folder / "mosquitto.conf"
        # Started by the superuser it would become a user who may not enter the test's folder.
        self._config.write_text(f"{text}\nuser {getpass.getuser()}\n")
        self._process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        program = require("mosquitto", "mosquitto")
        log = self._config.with_suffix(".log").open("ab")
        command = [program, "-c", str(self._config)]
        self._process = subprocess.Popen(command, stdout=log, stderr=log)
        log.close()

    def stop(self) -> None:
        """Stop it; it writes down what it owes."""
        if self._process is not None:
            self._process.terminate()
            self._process.wait(10)
            self._process = None

    def kill(self) -> None:
        """End it as a power cut does."""
        if self._process is not None:
            self._process.kill()
            self._process.wait(10)
            self._process = None

    def replace(self, old: str, new: str) -> None:
        """Change its file before it is started."""
        self._config.write_text(self._config.read_text().replace(old, new))

    def said(self) -> str:
        return self._config.with_suffix(".log").read_text()


def certificate(folder: Path) -> tuple[Path, Path]:
    """Make a certificate of this machine that is its own authority."""
    made, key = folder / "chain.pem", folder / "chain.key"
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes -days 2"
    words += f" -subj /CN=chain -addext subjectAltName=IP:{HOST}"
    ways = ["-out", str(made), "-keyout", str(key)]
    command = [require("openssl", "openssl"), *words.split(), *ways]
    subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
    return made, key


def chain_broker(folder: Path) -> Broker:
    """Make the chain's broker, with TLS, passwords and its access list."""
    made, key = certificate(folder)
    passwords = folder / "passwords"
    program = require("mosquitto_passwd", "mosquitto")
    for name, password in PASSWORDS.items():
        new = [] if passwords.exists() else ["-c"]
        command = [program, "-b", *new, str(passwords), name, password]
        subprocess.run(command, check=True, stderr=subprocess.DEVNULL)
        (folder / f"{name}.password").write_text(password)
    return Broker(
        folder / "chain",
        "mosquitto-chain.conf",
        CA_FILE=str(made),
        CERTIFICATE=str(made),
        PRIVATE_KEY=str(key),
        PASSWORD_FILE=str(passwords),
        ACL_FILE=str(DEPLOY / "mosquitto-chain.acl"),
    )


def shop_broker(folder: Path, site: str, chain: Broker) -> Broker:
    """Make a shop's own broker, bridged to the chain's."""
    made = Broker(
        folder / site,
        "mosquitto-bridge.conf",
        SITE=site,
        PASSWORD=PASSWORDS[site],
        CHAIN_BROKER=HOST,
    )
    made.replace(f"{HOST}:8883", f"{HOST}:{chain.port}")
    made.replace("/etc/ssl/certs/ca-certificates.crt", str(folder / "chain.pem"))
    return made


def words_of_a_consumer(folder: Path) -> list[str]:
    """How a consumer is let in at the chain's broker."""
    words = ["--tls", "--ca-file", str(folder / "chain.pem"), "--username", "fleet"]
    return [*words, "--password-file", str(folder / "fleet.password")]
