"""What the server answers: guards, policy, health, compression, and nothing from elsewhere."""

from __future__ import annotations

import re

import brotli
import pytest

from dashboard.app import build

TOKEN = "t" * 43
OURS = {"Cookie": f"_csrf_token={TOKEN}", "X-CSRFToken": TOKEN}


@pytest.fixture(scope="module")
def client(store):
    return build(store).server.test_client(use_cookies=False)


def get(client, path, **headers):
    """An answer, read to its end and closed."""
    with client.get(path, headers={name.replace("_", "-"): value for name, value in headers.items()}) as answer:
        answer.get_data()
        return answer


def test_the_policy_allows_no_eval_and_no_other_host(client):
    policy = get(client, "/").headers["Content-Security-Policy"]
    assert "unsafe-eval" not in policy
    assert "http" not in policy
    scripts = re.search(r"script-src ([^;]*)", policy).group(1).split()
    assert scripts[0] == "'self'"
    assert all(re.fullmatch(r"'sha256-[\w+/=]+'", source) for source in scripts[1:])
    assert "frame-ancestors 'none'" in policy


def test_every_answer_carries_the_guards(client):
    for path in ("/", "/healthz", "/_dash-layout", "/assets/1_watch.js", "/no/such/file"):
        headers = get(client, path).headers
        assert headers["X-Content-Type-Options"] == "nosniff", path
        assert headers["X-Frame-Options"] == "DENY", path


def test_answers_with_data_are_not_kept_by_browsers(client):
    assert get(client, "/_dash-layout").headers["Cache-Control"] == "no-store"


def test_files_addressed_by_their_version_are_kept_for_good(client):
    html = get(client, "/").text
    own = re.findall(r'(?:src|href|data-charts)="(/assets/[^"]+|[^"]*plotly.min.js[^"]*)"', html)
    assert any("plotly.min.js" in address for address in own)
    assert any("early.js" in address for address in own)
    for address in own:
        answer = get(client, address)
        assert answer.status_code == 200, address
        assert "immutable" in answer.headers["Cache-Control"], address
    assert "immutable" not in get(client, "/assets/early.js").headers["Cache-Control"]
    assert get(client, "/_dash-layout?v=1").headers["Cache-Control"] == "no-store"


def test_health(client):
    assert (get(client, "/healthz").status_code, get(client, "/healthz").text) == (200, "ok")


def test_the_page_names_no_other_host(client):
    html = get(client, "/").text
    assert not re.findall(r"(?:src|href)=\"(?:https?:)?//", html)


def test_a_fixed_file_is_compressed_once_and_comes_back_whole(client):
    plain = get(client, "/assets/2_base.css").data
    for _ in range(2):
        packed = get(client, "/assets/2_base.css", Accept_Encoding="br")
        assert packed.headers["Content-Encoding"] == "br"
        assert len(packed.data) < len(plain)
        assert brotli.decompress(packed.data) == plain


def test_two_answers_of_one_address_are_not_mixed_up(client):
    """Callbacks share an address: what was compressed for one must never answer another."""
    ask = {
        "output": "landings-list.markup",
        "outputs": {"id": "landings-list", "property": "markup"},
        "changedPropIds": ["landings-filters.data"],
    }
    said = []
    for filters in ("fleet=Heron+90", "fleet=Tern+200"):
        inputs = [{"id": "landings-filters", "property": "data", "value": filters}]
        answer = client.post(
            "/_dash-update-component", json=ask | {"inputs": inputs}, headers={"Accept-Encoding": "br"} | OURS
        )
        said.append(brotli.decompress(answer.data))
    assert b"Heron 90" in said[0]
    assert b"Heron 90" not in said[1]


def decide(client, **headers):
    """A decision, as a page would ask for it, with these headers; the answer's status."""
    asked = {
        "output": "decided.data",
        "outputs": {"id": "decided", "property": "data"},
        "inputs": [{"id": "ask", "property": "data", "value": {"act": "decide", "event": "x", "verdict": "valid"}}],
        "changedPropIds": ["ask.data"],
    }
    named = {name.replace("_", "-"): value for name, value in headers.items()}
    with client.post("/_dash-update-component", json=asked, headers=named) as answer:
        answer.get_data()
        return answer.status_code


OTHER = "u" * 43


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Cookie": f"_csrf_token={TOKEN}"},
        {"X_CSRFToken": TOKEN},
        {"Cookie": f"_csrf_token={TOKEN}", "X_CSRFToken": OTHER},
        {"Cookie": "_csrf_token=", "X_CSRFToken": ""},
        {"Cookie": f"_csrf_token={TOKEN}", "X_CSRFToken": TOKEN, "Origin": "http://elsewhere.example"},
        {"Cookie": f"_csrf_token={TOKEN}", "X_CSRFToken": TOKEN, "Origin": "http://localhost:9999"},
        {"Cookie": f"_csrf_token={TOKEN}", "X_CSRFToken": TOKEN, "Origin": "null"},
        {"Cookie": f"_csrf_token={TOKEN}", "X_CSRFToken": TOKEN, "Host": "elsewhere.example"},
    ],
)
def test_another_site_cannot_decide(client, headers):
    assert decide(client, **headers) == 403


@pytest.mark.parametrize("host", ["localhost", "localhost:8050", "127.0.0.1:8050", "127.1.2.3", "[::1]:8050"])
def test_a_page_of_ours_can(client, host):
    ours = {"Cookie": f"_csrf_token={TOKEN}", "X_CSRFToken": TOKEN}
    assert decide(client, **ours, Host=host, Origin=f"http://{host}") == 200


@pytest.mark.parametrize("host", ["elsewhere.example", "10.0.0.4:8050", "localhost.example", "127.0.0.1.example", "["])
def test_a_name_led_here_from_elsewhere_reads_nothing(client, host):
    for path in ("/", "/_dash-layout", "/assets/1_watch.js"):
        assert get(client, path, Host=host).status_code == 403


def test_the_token_is_new_for_each_browser_and_stays_with_it(client):
    first, second = (get(client, "/").headers["Set-Cookie"] for _ in range(2))
    assert first != second
    assert "SameSite=Strict" in first
    assert "Domain" not in first
    assert "Set-Cookie" not in get(client, "/", Cookie=first.split(";")[0]).headers
