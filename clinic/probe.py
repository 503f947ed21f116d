"""Asks the web process of this computer whether it is alive: `python -m clinic.probe`, exit 1 where it is not.

It loads no Django, so that a health check every few seconds costs next to nothing.
"""

import http.client
import os
import ssl
import sys


def connection() -> http.client.HTTPConnection:
    """A connection to the web process on this computer, by TLS where the process has a certificate."""
    port = int(os.environ.get("PORT", "8000"))
    if not os.environ.get("CLINIC_TLS_CERT"):
        return http.client.HTTPConnection("127.0.0.1", port, timeout=5)
    # The certificate is made out for the clinic's name, not for 127.0.0.1; nothing is sent that needs trust.
    context = ssl.create_default_context()
    context.check_hostname = False
    context.verify_mode = ssl.CERT_NONE
    return http.client.HTTPSConnection("127.0.0.1", port, timeout=5, context=context)


def main(path: str = "/health/live") -> int:
    """Prints the answer; 0 where it is 200."""
    host = os.environ.get("CLINIC_HOSTS", "localhost").split(",")[0].strip()
    try:
        asked = connection()
        asked.request("GET", path, headers={"Host": host})
        answer = asked.getresponse()
    except OSError as error:
        sys.stdout.write(f"no answer: {error}\n")
        return 1
    sys.stdout.write(f"{answer.status} {answer.read().decode()}\n")
    return 0 if answer.status == http.HTTPStatus.OK else 1


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
