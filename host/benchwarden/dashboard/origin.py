"""Which requests may reach the dashboard: those of its own page on this machine.

Any web page open in the same browser can send requests to 127.0.0.1. A name
server that answers 127.0.0.1 (rebinding) makes them look local, so the Host
header is checked as well. Source: OWASP Cross-Site Request Forgery Prevention
Cheat Sheet, "Verifying origin with standard headers" (from memory).
"""

from __future__ import annotations

import hmac
from urllib.parse import urlsplit

LOOPBACK = ("127.0.0.1", "localhost", "::1")


def host_allowed(host_header: str) -> bool:
    """Return True when the Host header names this machine's loopback."""
    try:
        return urlsplit(f"//{host_header}").hostname in LOOPBACK
    except ValueError:
        return False


def own_page(origin: str, host_header: str, token: str, token_given: str) -> bool:
    """Return True when a request that changes something comes from our own page.

    Browsers name the sending page in Origin with every POST; where that is
    withheld the page's token stands in, which other pages cannot read.

    Args:
        origin: the Origin header, empty where there is none.
        host_header: what the request calls this server, already allowed.
        token, token_given: this server's page token and the one received.
    """
    if origin and origin != "null":
        return origin in (f"http://{host_header}", f"https://{host_header}")
    return bool(token_given) and hmac.compare_digest(token.encode(), token_given.encode())
