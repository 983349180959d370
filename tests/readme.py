#!/usr/bin/env python3
"""README.md as a newcomer follows it: every block of commands is run, and what it prints is compared.

    tests/readme.py ADMIN_URL [--docker]

The blocks beside the demo run against a demo of their own, with the passwords, secrets and ids that it
prints; "Running it" runs with a login that has the rights that the section names and no others. With
--docker the Compose blocks run too. Needs jq, curl, psql and the built program (target/debug/wardbook).
"""

import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PROGRAM = ROOT / "target/debug/wardbook"
PORT = 18600
MARK = "=== end of a block ==="


def sections():
    """Headings, each with its blocks: (kind, text)."""
    found, heading = {}, ""
    text = (ROOT / "README.md").read_text()
    for part in re.finditer(r"^## ([^\n]*)$|^```(\w+)\n(.*?)^```$", text, re.M | re.S):
        if part[1]:
            heading = part[1]
            found[heading] = []
        else:
            found[heading].append((part[2], part[3]))
    return found


def shell(script, folder, **more):
    environment = {**os.environ, "PATH": f"{PROGRAM.parent}:{os.environ['PATH']}", **more}
    environment = {name: value for name, value in environment.items() if not name.startswith("WARDBOOK_ADMIN")}
    # Without -e: a command of a block may answer with a status that says no.
    done = subprocess.run(["bash", "-c", script], cwd=folder, env=environment, capture_output=True, text=True)
    return done.stdout, done.stderr, done.returncode


def matches(expected, printed):
    """Whether a line is as README shows it; … stands for what differs from run to run, with the beginning
    of an id before it."""
    expected = re.sub(r"\b[0-9a-f]{8}-…", "…", expected)
    pattern = "(.*)".join(map(re.escape, expected.split("…")))
    return re.fullmatch(pattern, printed) is not None


def compare(what, expected, printed):
    expected, printed = expected.strip().splitlines(), printed.strip().splitlines()
    same = len(expected) == len(printed) and all(map(matches, expected, printed))
    assert same, f"{what}: README shows\n{expected}\nand it printed\n{printed}"
    print(f"ok   {what}: as README shows it")


def fill_in(block, said):
    """A block with what the demo printed in place of its placeholders."""
    values = dict(re.findall(r"^(registration|differ|counter|card|site) +([0-9a-f-]+)", said, re.M))
    block = re.sub(r"(\w+)=…", lambda found: f"{found[1]}={values[found[1]]}", block)

    def sign_in(found):
        line = next(line for line in said.splitlines() if found[1] in line)
        password = line.split(found[1])[1].split()[0]
        secret = re.search(r"code secret (\w+)", line)
        return found[0].replace("PASSWORD", f"'{password}'").replace("SECRET", secret[1] if secret else "")

    block = re.sub(r"sign_in (\S+@\S+) PASSWORD.*", sign_in, block)
    block = block.replace("LOG-KEY", re.search(r"^log key +(\S+)", said, re.M)[1])
    auditor = re.search(r"^auditor +(\S+) (\S+)", said, re.M)
    block = block.replace("AUDITOR-ID", auditor[1]).replace("AUDITOR-SECRET", f"'{auditor[2]}'")
    return block.replace("127.0.0.1:8080", f"127.0.0.1:{PORT}").replace("target/debug/", "")


def beside_the_demo(admin, folder):
    name = f"wardbook_readme_{os.getpid()}"
    psql(admin, f"CREATE DATABASE {name}")
    log = folder / "demo.log"
    demo = subprocess.Popen(
        [PROGRAM, "demo", "--admin-url", with_database(admin, name), "--listen", f"127.0.0.1:{PORT}"],
        stdout=log.open("w"), stderr=subprocess.STDOUT,
    )
    try:
        wait_for(f"http://127.0.0.1:{PORT}/health/ready", demo, log)
        said = log.read_text()
        script, outputs = "", []
        for heading in ["One copy request, from the question to the key", "A building site"]:
            for kind, block in sections()[heading]:
                if kind == "sh":
                    script += fill_in(block, said) + f'\necho "{MARK}"\n'
                    outputs.append([heading, None])
                else:
                    outputs[-1][1] = block
        printed, complaints, _ = shell(script, folder)
        parts = printed.split(MARK + "\n")
        assert len(parts) == len(outputs) + 1, printed + complaints
        for (heading, expected), part in zip(outputs, parts):
            if expected:
                compare(heading, expected, part)
            else:
                assert not part.strip(), part
        assert (folder / "progress.pdf").read_bytes().startswith(b"%PDF-")
    finally:
        demo.terminate()
        demo.wait()
        psql(admin, f"DROP DATABASE IF EXISTS {name} WITH (FORCE)", f"DROP ROLE IF EXISTS {name}_login")


def running_it(admin, folder):
    """The section's first block, as somebody who has made a database for it."""
    name = f"wardbook_run_{os.getpid()}"
    psql(admin, f"CREATE DATABASE {name}")
    login = with_user(with_database(admin, name), f"{name}_login", "aPasswordOfItsOwn")
    block = next(block for kind, block in sections()["Running it"] if kind == "sh")
    block = re.sub(r"^admin=\S+", f"admin='{with_database(admin, name)}'", block, flags=re.M)
    block = re.sub(r"^login=\S+", f"login='{login}'", block, flags=re.M)
    block = block.replace("PASSWORD=…", "PASSWORD=aPasswordOfItsOwn").replace("wardbook_login", f"{name}_login")
    block = block.replace("/another/disk/", f"{folder}/").replace('"…"', '"Somebody"')
    block = block.replace("--email …", "--email somebody@marrowby.example")
    steps, serve = block.rstrip().rsplit("\n", 1)
    assert "…" not in block and serve.startswith("wardbook serve"), block
    try:
        printed, complaints, status = shell("set -e\n" + steps, folder)
        assert status == 0 and "invitation for" in printed, printed + complaints
        log = folder / "serve.log"
        address = f"127.0.0.1:{PORT + 1}"
        server = subprocess.Popen(
            [PROGRAM, *serve.split()[1:], "--listen", address], cwd=folder, stdout=log.open("w"),
            # The database of the test does not wait for the disk; that of whoever runs it does.
            stderr=subprocess.STDOUT, env={"PATH": os.environ["PATH"], "WARDBOOK_COMMITS_MAY_BE_LOST": "true"},
        )
        try:
            wait_for(f"http://{address}/health/ready", server, log)
            invitation = printed.split("good for seven days:\n")[1].split("\n")[0]
            body = f'{{"token":"{invitation}","password":"twelve letters and more"}}'.encode()
            headers = {"content-type": "application/json"}
            accept = urllib.request.Request(f"http://{address}/v1/invitations/accept", body, headers)
            assert urllib.request.urlopen(accept).status == 204
        finally:
            server.terminate()
            server.wait()
        print("ok   Running it: from an empty database to the first password, as a login of the service")
    finally:
        psql(admin, f"DROP DATABASE IF EXISTS {name} WITH (FORCE)", f"DROP ROLE IF EXISTS {name}_login")


def with_docker(folder):
    """The section's second block, in a copy of the files that it uses."""
    compose = "docker compose" if shell("docker compose version", folder)[2] == 0 else "docker-compose"
    blocks = [block for kind, block in sections()["Running it"] if kind == "sh"]
    block = blocks[1].replace("docker compose", f"{compose} -p wardbookreadme{os.getpid()}")
    block = block.replace('"…"', '"Somebody"').replace("--email …", "--email somebody@marrowby.example")
    block = block.replace("=…", "=aPasswordOfItsOwn").replace("sudo ", "")
    block = block.replace("scripts/postgres-image && scripts/service-image\n", "")
    shutil.copy(ROOT / "docker-compose.yml", folder)
    ports = {"WARDBOOK_POSTGRES_PORT": str(PORT + 2), "WARDBOOK_PORT": str(PORT + 3)}
    built = subprocess.run(
        [ROOT / "scripts/service-image"], env={**os.environ, "WARDBOOK_PROFILE": "dev"}, capture_output=True, text=True
    )
    assert built.returncode == 0, built.stdout + built.stderr
    try:
        printed, complaints, status = shell("set -e\n" + block, folder, **ports)
        assert status == 0 and "invitation for" in printed, printed + complaints
        wait_for(f"http://127.0.0.1:{PORT + 3}/health/ready", None, None)
        print("ok   Running it, with Docker: set up, started and begun")
    finally:
        shell(f"{compose} -p wardbookreadme{os.getpid()} down -v --timeout 5", folder,
              WARDBOOK_POSTGRES_PASSWORD="x", **ports)


def wait_for(address, process, log):
    for _ in range(600):
        assert process is None or process.poll() is None, log.read_text()
        try:
            urllib.request.urlopen(address)
            return
        except OSError:
            time.sleep(0.2)
    raise AssertionError(f"{address} does not answer" + (log.read_text() if log else ""))


def psql(url, *statements):
    for statement in statements:
        subprocess.run(["psql", url, "-qc", statement], check=True, stderr=subprocess.DEVNULL)


def with_database(url, name):
    base, _, query = url.partition("?")
    scheme, rest = base.split("://", 1)
    return f"{scheme}://{rest.split('/')[0]}/{name}" + (f"?{query}" if query else "")


def with_user(url, user, password):
    scheme, rest = url.split("://", 1)
    return f"{scheme}://{user}:{password}@{rest.rsplit('@', 1)[-1]}"


def main():
    admin = sys.argv[1]
    for folder_of in [beside_the_demo, running_it]:
        with tempfile.TemporaryDirectory() as folder:
            folder_of(admin, Path(folder))
    if "--docker" in sys.argv:
        with tempfile.TemporaryDirectory() as folder:
            with_docker(Path(folder))


main()
