#!/usr/bin/env python3
"""deploy/nginx.conf in front of a service that runs: TLS only, modern versions, the caller's own address.

Arguments: the address of the service, such as http://127.0.0.1:8080, which is started with --proxies 1.
"""

import json
import re
import shutil
import socket
import ssl
import subprocess
import sys
import tempfile
import time
import urllib.error
import urllib.request
import warnings
from pathlib import Path

# Old versions of TLS are named here to see them refused.
warnings.simplefilter("ignore", DeprecationWarning)

ROOT = Path(__file__).resolve().parent.parent


def free_port():
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return listener.getsockname()[1]


def filled_in(service, folder, plain, tls):
    """The configuration of the docs, with the ports, files and the service of this test."""
    text = (ROOT / "deploy/nginx.conf").read_text()
    for old, new in [
        ("listen 80 default_server", f"listen 127.0.0.1:{plain} default_server"),
        ("listen 443 ssl default_server", f"listen 127.0.0.1:{tls} ssl default_server"),
        ("http://127.0.0.1:8080", service),
        ("/etc/ssl/register.example.pem", f"{folder}/certificate.pem"),
        ("/etc/ssl/private/register.example.key", f"{folder}/key.pem"),
        ("/var/log/nginx/wardbook.log", f"{folder}/access.log"),
    ]:
        assert old in text, old
        text = text.replace(old, new)
    return f"daemon off;\npid {folder}/pid;\nerror_log {folder}/error.log;\n" + text


def certificate(folder):
    subprocess.run(
        ["openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256", "-nodes", "-days", "1",
         "-subj", "/CN=register.example", "-addext", "subjectAltName=DNS:localhost",
         "-keyout", f"{folder}/key.pem", "-out", f"{folder}/certificate.pem"],
        check=True, capture_output=True)


def handshake(port, version, folder):
    """The version that is agreed on, where the client speaks no later one."""
    context = ssl.create_default_context(cafile=f"{folder}/certificate.pem")
    context.minimum_version = ssl.TLSVersion.TLSv1
    context.maximum_version = version
    context.set_ciphers("DEFAULT:@SECLEVEL=0")
    try:
        with socket.create_connection(("127.0.0.1", port), timeout=10) as raw:
            with context.wrap_socket(raw, server_hostname="localhost") as tls:
                return tls.version()
    except (ssl.SSLError, ConnectionError):
        return None


def call(address, folder, headers=None):
    context = ssl.create_default_context(cafile=f"{folder}/certificate.pem")
    request = urllib.request.Request(address, headers=headers or {})
    try:
        with urllib.request.urlopen(request, context=context, timeout=10) as answer:
            return answer.status, answer.headers, answer.read()
    except urllib.error.HTTPError as answer:
        return answer.code, answer.headers, answer.read()


def check(service, folder, plain, tls):
    assert handshake(tls, ssl.TLSVersion.TLSv1_1, folder) is None, "TLS 1.1 is spoken"
    assert handshake(tls, ssl.TLSVersion.TLSv1_2, folder) == "TLSv1.2"
    assert handshake(tls, ssl.TLSVersion.TLSv1_3, folder) == "TLSv1.3"
    status, headers, _ = call(f"https://localhost:{tls}/health/live", folder)
    assert status == 204, status
    assert headers["Referrer-Policy"] == "no-referrer"
    assert "nginx/" not in headers.get("Server", ""), headers
    # Without TLS nothing is answered, and nobody is sent on.
    status, headers, _ = call(f"http://127.0.0.1:{plain}/v1/me", folder)
    assert status == 403 and "Location" not in headers, (status, headers)
    status, _, body = call(f"https://localhost:{tls}/v1/me", folder, {"X-Forwarded-For": "203.0.113.9"})
    assert status == 401, status
    assert json.loads(body)["type"].endswith("unauthenticated"), body
    # No query string and no token in the proxy's log.
    call(f"https://localhost:{tls}/v1/people?after=secret", folder, {"Authorization": "Bearer secret"})
    time.sleep(0.2)
    text = Path(folder, "access.log").read_text()
    assert "/v1/people" in text and "secret" not in text, text
    assert re.search(r"127\.0\.0\.1 GET /v1/me 401", text), text


def main():
    (service,) = sys.argv[1:]
    nginx = shutil.which("nginx")
    if nginx is None:
        sys.exit("nginx is not installed")
    with tempfile.TemporaryDirectory() as folder:
        plain, tls = free_port(), free_port()
        certificate(folder)
        conf = Path(folder, "nginx.conf")
        conf.write_text(filled_in(service, folder, plain, tls))
        subprocess.run([nginx, "-t", "-q", "-c", conf, "-p", folder], check=True)
        proxy = subprocess.Popen([nginx, "-c", conf, "-p", folder])
        try:
            deadline = time.monotonic() + 10
            while handshake(tls, ssl.TLSVersion.TLSv1_3, folder) is None:
                assert proxy.poll() is None and time.monotonic() < deadline, "the proxy does not listen"
                time.sleep(0.05)
            check(service, folder, plain, tls)
        finally:
            proxy.terminate()
            proxy.wait(10)
    print("the proxy of docs/deployment.md is as it says")


if __name__ == "__main__":
    main()
