"""A register of a benchmark's own: its PostgreSQL, its service, its invented registrations and callers."""

import json
import os
import re
import shutil
import subprocess
import tempfile
import time
import urllib.parse
import urllib.request
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
BENCH = ROOT / "bench"
PASSWORD = "twelve letters and more"
RULES = {"limits": []}  # so that every request is permitted, however many there were
ADDRESS = "http://127.0.0.1:18477"


def run(*command, **more):
    done = subprocess.run([str(part) for part in command], text=True, **more)
    if done.returncode != 0:
        raise SystemExit(f"{command[0]} failed: {done.stderr}")
    return done


def psql(url, sql, **more):
    return run("psql", url, "-v", "ON_ERROR_STOP=1", "-Atqc", sql, capture_output=True, **more).stdout.strip()


def call(address, path, body, token=None, key=None):
    request = urllib.request.Request(address + path, json.dumps(body).encode())
    request.add_header("content-type", "application/json")
    if token:
        request.add_header("authorization", f"Bearer {token}")
    if key:
        request.add_header("idempotency-key", key)
    with urllib.request.urlopen(request) as answer:
        text = answer.read()
        return json.loads(text) if text else {}


def bench_id(kind, number):
    return f"00000000-0000-7{kind:03x}-8000-{number:012x}"


def sign_in(address):
    """Access tokens of the 64 callers, good for ten minutes."""
    tokens = []
    for caller in range(64):
        body = {"email": f"caller{caller}@bench.example", "password": PASSWORD}
        tokens.append(call(address, "/v1/sessions", body)["access_token"])
    return tokens


def sign_in_till(address):
    """The access token of the counter's till."""
    form = urllib.parse.urlencode(
        {"grant_type": "client_credentials", "client_id": bench_id(12, 1), "client_secret": "bench"}
    )
    with urllib.request.urlopen(address + "/v1/oauth/token", form.encode()) as answer:
        return json.load(answer)["access_token"]


def card_tokens(address, tokens, cards):
    """What the QR codes of some cards hold, by the numbers of their registrations."""
    found = []
    for card in cards:
        request = urllib.request.Request(f"{address}/v1/cards/{bench_id(11, card)}/token")
        request.add_header("authorization", f"Bearer {tokens[card % 64]}")
        with urllib.request.urlopen(request) as answer:
            found.append(json.load(answer)["token"])
    return found


def resident(process):
    status = Path(f"/proc/{process.pid}/status").read_text()
    return int(re.search(r"VmRSS:\s+(\d+)", status)[1]) / 1024


def cpu_of(pid, of_ended=False):
    """CPU seconds that a process has used, or its children that have ended."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    first = 13 if of_ended else 11
    return (int(fields[first]) + int(fields[first + 1])) / os.sysconf("SC_CLK_TCK")


class Register:
    """Stopped and taken away when its `with` block ends."""

    def __init__(self, program, registrations, connections):
        self.program, self.registrations, self.connections = program, registrations, connections
        self.service = None
        self.folder = Path(tempfile.mkdtemp(prefix="wardbook-bench-", dir=os.environ.get("WARDBOOK_BENCH_DIR")))
        self.log = self.folder / "server.log"

    def __enter__(self):
        self._start_cluster()
        settings = ["shared_buffers = '2GB'", "max_wal_size = '16GB'", "log_line_prefix = '%m [%p] '",
                    "shared_preload_libraries = 'auto_explain'"]
        self.set(*settings)
        self._stop_cluster()
        self._start_cluster()
        assert self.sql("SHOW fsync") == "on"
        run(self.program, "migrate", "--admin-url", self.url, stdout=subprocess.DEVNULL)
        self._make_keys()
        return self

    def __exit__(self, *_):
        self.stop_service()
        self._stop_cluster()
        shutil.rmtree(self.folder, ignore_errors=True)

    def _start_cluster(self):
        self.cluster = subprocess.Popen(
            [self.program, "private-postgres", "--folder", self.folder],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        self.url = self.cluster.stdout.readline().strip()
        assert self.url, "no database"

    def _stop_cluster(self):
        self.cluster.stdin.close()
        self.cluster.wait()

    def _make_keys(self):
        key, master = self.folder / "token.pem", self.folder / "master"
        run(self.program, "new-key", key, stdout=subprocess.DEVNULL)
        run(self.program, "new-master-key", master, stdout=subprocess.DEVNULL)
        invited = run(
            self.program, "begin", "--database-url", self.url, "--supplier", "Bench supplier", "--person", "Supplier",
            "--email", "supplier@bench.example", capture_output=True,
        ).stdout
        self.invitation = invited.splitlines()[1]
        self.of_the_log = [
            "--log-origin", "bench.example", "--log-key", key, "--log-archive", self.folder / "checkpoints"
        ]
        run(self.program, "log", "init", "--database-url", self.url, *self.of_the_log, stdout=subprocess.DEVNULL)
        self.of_the_service = [
            "--database-url", self.url, "--listen", ADDRESS.removeprefix("http://"), "--token-key", key,
            "--card-key", key, "--master-key", master, "--issuer", ADDRESS, "--calls-per-second", "1000000",
            "--writes-per-minute", "100000000", "--staff-writes-per-minute", "100000000",
            "--registration-writes-per-minute", "100000000", "--most-callers-by-address", "1024",
            "--sign-ins-per-minute", "1000000", "--connections", str(self.connections),
            "--log-most-waiting", "100000000", "--log-longest-wait", "100000", *self.of_the_log,
        ]

    def sql(self, query):
        return psql(self.url, query)

    def set(self, *settings):
        """Settings of the server, from its next reading of them on."""
        for setting in settings:
            self.sql(f"ALTER SYSTEM SET {setting}")
        self.sql("SELECT pg_reload_conf()")
        time.sleep(0.3)

    def serve(self, *more):
        """Starts the service anew."""
        self.stop_service()
        self.service = subprocess.Popen(
            [self.program, "serve", *self.of_the_service, *more],
            stdout=subprocess.DEVNULL, env={**os.environ, "WARDBOOK_LOG": "warn"},
        )
        for _ in range(100):
            try:
                urllib.request.urlopen(ADDRESS + "/health/ready")
                return
            except OSError:
                time.sleep(0.1)
        raise SystemExit("the service did not start")

    def stop_service(self):
        if self.service:
            self.service.terminate()
            self.service.wait()
            self.service = None

    def load(self):
        """The registrations and their callers; the service is running."""
        call(ADDRESS, "/v1/invitations/accept", {"token": self.invitation, "password": PASSWORD})
        begun = time.monotonic()
        run("psql", self.url, "-q", "-v", "ON_ERROR_STOP=1", "-v", f"n={self.registrations}", "-v",
            f"rules={json.dumps(RULES)}", "-f", BENCH / "load.sql", stdout=subprocess.DEVNULL)
        size = self.sql("SELECT pg_size_pretty(pg_database_size(current_database()))")
        print(f"loaded {self.registrations:,} registrations in {time.monotonic() - begun:.0f} s, {size}")

    def hot_calls(self, at, tokens, till, marks="bench-capture"):
        """One of each call that is measured, on one registration: what it is called, and a function that
        makes it and sees that it was permitted."""
        body = {"differ_id": bench_id(8, at), "counter_id": bench_id(4, 1)}
        path = f"/v1/registrations/{bench_id(6, at)}/copy-requests"
        owner, [card] = tokens[at % 64], card_tokens(ADDRESS, tokens, [at])
        check = f"/v1/counters/{bench_id(4, 1)}/card-checks"

        def make(where, sent, token, key, decision_of):
            answer = call(ADDRESS, where, sent, token, key)
            assert decision_of(answer)["outcome"] == "permitted", answer

        return {
            "check": lambda: make(check, {"token": card}, till, None,
                                  lambda answer: answer["may_order"][0]["decision"]),
            "dry-run": lambda: make(path + "/dry-run", body, owner, None, lambda answer: answer),
            "ask": lambda: make(path, body, owner, marks, lambda answer: answer["decision"]),
        }

    def log_position(self):
        return self.log.stat().st_size

    def logged_since(self, position):
        """What PostgreSQL logged since, entry by entry."""
        time.sleep(0.3)
        text = self.log.read_bytes()[position:].decode()
        return re.split(r"^\d{4}-\d\d-\d\d [\d:.]+ \S+ \[\d+\] ", text, flags=re.M)

    def cpu_of_database(self):
        """CPU seconds of the server and all of its processes, those that have ended too."""
        server = int((self.folder / "data/postmaster.pid").read_text().split()[0])
        children = Path(f"/proc/{server}/task/{server}/children").read_text().split()
        return sum(map(cpu_of, [server, *map(int, children)])) + cpu_of(server, of_ended=True)
