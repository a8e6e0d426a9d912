"""The gate, attacked: nobody gets in by another way, nobody gets what is another role's, nobody stays too long."""

from __future__ import annotations

import html
import re
from datetime import UTC, datetime, timedelta

import pytest
from gatehouse import (
    NOT_LET_IN,
    PASSWORD,
    QUICK,
    Browser,
    callbacks,
    dashboard_of,
    example,
    logged_in,
    routes,
    with_accounts,
)

from dashboard import gate
from dashboard.access import roles_of
from dashboard.deployment import Deployment, deployment_of
from dashboard.serve import reach
from fdm.errors import FdmError
from fdm.people.accounts import DAY, IDLE
from fdm.people.roles import ADMINISTRATOR, ANALYST, CAPTAIN, OFFICER, ROLES, Actor
from fdm.people.store import People

ROOT = Actor("root", ADMINISTRATOR)


class Watch:
    """The time now, as the test says."""

    def __init__(self) -> None:
        self.now = datetime(2026, 11, 23, 8, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture(scope="module")
def people(tmp_path_factory):
    with People(str(tmp_path_factory.mktemp("gate") / "people.sqlite"), hasher=QUICK) as opened:
        yield with_accounts(opened)


@pytest.fixture(scope="module")
def app(people):
    return dashboard_of(people)


@pytest.fixture
def watch():
    return Watch()


@pytest.fixture
def fresh(tmp_path, watch):
    """A dashboard of this test alone, whose clock it sets."""
    with People(str(tmp_path / "people.sqlite"), hasher=QUICK, clock=watch) as opened:
        yield dashboard_of(with_accounts(opened)), opened


# --- who gets in ----------------------------------------------------------------------------------------------------


def test_the_public_routes_are_these(app):
    """A route of a new module is not public because it forgot to say whom it is for."""
    stranger = Browser(app)
    reached = set()
    for rule, method in routes(app):
        answer = stranger.get(example(rule)) if method == "GET" else stranger.post(example(rule))
        reached |= {rule} if answer.status_code == 200 else set()
    assert reached == {"/login", "/login/style.css", "/login/theme.js", "/healthz"}


PAGES = ["/", "/landings", "/landing/00ff", "/rules?x=1", "/no/such/page"]
WHOLE = ["/jobs", "/audit?act=decision&who=ana", "/accounts", "/account", "/reveal"]


@pytest.mark.parametrize("path", [*PAGES, *WHOLE])
def test_a_page_leads_a_stranger_to_the_login_and_back(app, path):
    answer = Browser(app).get(path)
    assert answer.status_code == 302
    assert answer.headers["Location"].startswith("/login")
    browser = Browser(app)
    shown = browser.get(answer.headers["Location"])
    assert "Log in" in shown.text
    there = browser.log_in("officer-1", there=path).headers["Location"]
    assert there == path


def test_the_login_of_a_page_leads_back_to_it(app):
    """By the form that the login shows, with what followed the question mark."""
    browser = Browser(app)
    shown = browser.get(browser.get("/audit?act=decision&who=ana").headers["Location"])
    there = html.unescape(re.search(r'name="next" value="([^"]*)"', shown.text)[1])
    assert browser.log_in("officer-1", there=there).headers["Location"] == "/audit?act=decision&who=ana"


def test_what_is_no_page_asks_to_log_in_first(app):
    stranger = Browser(app)
    for answer in (stranger.post("/jobs"), stranger.get("/export/events.csv"), stranger.get("/_dash-layout")):
        assert (answer.status_code, answer.text) == (401, "Log in first.\n")


@pytest.mark.parametrize("role", ["", *ROLES])
def test_every_callback_answers_its_roles_and_no_other(app, role):
    browser = logged_in(app, role)
    for output in callbacks(app):
        allowed = role in roles_of(app.callback_map[output]["callback"])
        answer = browser.ask(output)
        assert (answer.status_code not in NOT_LET_IN) == allowed, (output, role, answer.status_code, answer.text[:200])


def test_every_callback_says_whom_it_is_for(app):
    silent = [output for output in callbacks(app) if not roles_of(app.callback_map[output]["callback"])]
    assert not silent, f"put @open_to(...) on the functions of {silent}"


@pytest.mark.parametrize("role", ["", *ROLES])
def test_every_route_answers_its_roles_and_no_other(app, role):
    browser = logged_in(app, role)
    for rule, method in routes(app):
        endpoint = next(
            r.endpoint for r in app.server.url_map.iter_rules() if r.rule == rule and method in (r.methods or ())
        )
        if endpoint in gate.PUBLIC or endpoint == gate.CALLBACK:
            continue
        allowed = role in (ROLES if endpoint in gate.FRAME else roles_of(app.server.view_functions[endpoint]))
        token = {"csrf_token": browser.cookie("_csrf_token")}
        answer = browser.get(example(rule)) if method == "GET" else browser.post(example(rule), data=token)
        let_in = answer.status_code not in NOT_LET_IN and not answer.headers.get("Location", "").startswith("/login")
        assert let_in == allowed, (rule, method, role, answer.status_code)


@pytest.mark.parametrize("body", [None, [], "x", {}, {"output": None}, {"output": ["a"]}, {"output": "nothing.there"}])
def test_a_callback_that_is_none_is_open_to_nobody(app, body):
    browser = logged_in(app, OFFICER)
    headers = {"X-CSRFToken": browser.cookie("_csrf_token")}
    assert browser.post("/_dash-update-component", json=body, headers=headers).status_code == 403


def test_a_callback_that_does_not_say_whom_it_is_for_is_open_to_nobody(people):
    from dash import Input, Output

    app = dashboard_of(people)

    @app.callback(Output("forgotten", "data"), Input("address", "search"))
    def forgotten(_search: str) -> str:
        return "everything"

    answer = logged_in(app, OFFICER).ask("forgotten.data")
    assert answer.status_code == 403
    assert "everything" not in answer.text


@pytest.mark.parametrize(
    ("role", "path"), [(ANALYST, "/"), (CAPTAIN, "/"), (CAPTAIN, "/landings"), (ADMINISTRATOR, "/rules")]
)
def test_a_page_of_another_role_says_so(app, role, path):
    ask = [{"id": "address", "property": "pathname", "value": path}]
    said = logged_in(app, role).ask("page.children", ask).text
    assert f"not open to the role of {role}" in said


def test_each_role_starts_on_a_page_of_its_own(app):
    assert logged_in(app, OFFICER).get("/").status_code == 200
    assert logged_in(app, ANALYST).get("/").headers["Location"] == "/landings"
    for role in ROLES:
        layout = logged_in(app, role).get("/_dash-layout").text
        assert (">Week<" in layout.encode().decode("unicode_escape")) == (role == OFFICER)


# --- logging in -----------------------------------------------------------------------------------------------------


def test_the_login_says_nothing_of_what_was_wrong(fresh):
    app, _ = fresh
    said = {Browser(app).log_in(name, word).text.replace(name, "") for name, word in
            [("officer-1", "wrong words, quite long"), ("nobody", PASSWORD)]}  # fmt: skip
    assert len({text.split('name="csrf_token"')[0] for text in said}) == 1
    assert "The user name or the password is wrong." in said.pop()


def test_the_cookie_of_a_session_is_not_for_scripts_or_other_sites(fresh):
    app, _ = fresh
    (cookie,) = [
        c for c in Browser(app).log_in("officer-1").headers.getlist("Set-Cookie") if c.startswith("watch_session")
    ]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie
    assert "Domain" not in cookie
    assert "Secure" not in cookie


def test_behind_a_proxy_cookies_are_for_tls_alone(people):
    app = dashboard_of(people, deployment=Deployment(hosts=frozenset({"watch.example.org"}), behind_proxy=True))
    browser = Browser(app, **{"wsgi.url_scheme": "https", "HTTP_HOST": "watch.example.org"})
    answer = browser.get("/login")
    assert "Secure" in answer.headers["Set-Cookie"]
    assert answer.headers["Strict-Transport-Security"]
    token = answer.text.split('name="csrf_token" value="')[1].split('"')[0]
    cookie = {"Cookie": f"_csrf_token={token}"}
    form = {"name": "officer-1", "password": PASSWORD, "csrf_token": token}
    said = app.server.test_client(use_cookies=False).post(
        "/login", data=form, headers=cookie, environ_overrides=browser.environ
    )
    (session,) = [c for c in said.headers.getlist("Set-Cookie") if "session" in c]
    assert session.startswith("__Host-watch_session=")
    assert "Secure" in session


def test_a_session_is_new_at_every_login_and_the_one_before_ends(fresh):
    """Session fixation: a token that somebody planted, or knew before, is worth nothing afterwards."""
    app, people = fresh
    browser = Browser(app)
    browser.client.set_cookie("watch_session", "planted")
    browser.log_in("officer-1")
    first = browser.cookie("watch_session")
    assert first not in ("", "planted")
    browser.client.set_cookie("watch_session", first)
    answer = browser.post(
        "/login", data={"name": "officer-1", "password": PASSWORD, "csrf_token": browser.cookie("_csrf_token")}
    )
    if answer.status_code == 403:  # the token of the form follows the session
        browser.get("/account")
        form = {"name": "officer-1", "password": PASSWORD, "csrf_token": browser.cookie("_csrf_token")}
        answer = browser.post("/login", data=form)
    assert answer.status_code == 303
    assert browser.cookie("watch_session") != first
    assert people.accounts.who(first, where="") is None
    assert people.accounts.who("planted", where="") is None


def test_logging_out_ends_the_session_on_the_server(fresh):
    app, people = fresh
    browser = logged_in(app, OFFICER)
    token = browser.cookie("watch_session")
    assert browser.send("/logout").status_code == 303
    assert people.accounts.who(token, where="") is None
    browser.client.set_cookie("watch_session", token)
    assert browser.get("/_dash-layout").status_code == 401


@pytest.mark.parametrize("wait", [DAY, IDLE])
def test_a_session_ends_by_itself(fresh, watch, wait):
    app, _ = fresh
    browser = logged_in(app, OFFICER)
    assert browser.get("/_dash-layout").status_code == 200
    watch.now += wait + timedelta(seconds=1)
    assert browser.get("/_dash-layout").status_code == 401
    assert browser.ask("queue.markup").status_code == 401


@pytest.mark.parametrize("change", ["disable", "end_sessions", "change_role", "set_password"])
def test_a_changed_account_is_out_at_once(fresh, change):
    app, people = fresh
    browser = logged_in(app, OFFICER)
    more = {"change_role": ["captain"], "set_password": ["nine herons on the mole"]}.get(change, [])
    getattr(people.accounts, change)("officer-1", *more, by=ROOT)
    assert browser.get("/_dash-layout").status_code == 401


def test_guessing_is_slowed_down(fresh):
    app, people = fresh
    browser = Browser(app, "192.0.2.7")
    said = [browser.log_in("officer-1", f"a guess, number {i} of them").status_code for i in range(12)]
    assert said == [401] * 10 + [429] * 2
    assert browser.log_in("officer-1").status_code == 429
    assert Browser(app, "192.0.2.8").log_in("officer-1").status_code == 303
    assert people.audit.entries(act="failed login").height == 10


def test_guessing_one_name_from_many_addresses_is_slowed_down(fresh):
    app, _ = fresh
    said = [Browser(app, f"192.0.2.{i}").log_in("Officer-1 ", "not the password at all").status_code for i in range(32)]
    assert said == [401] * 30 + [429] * 2
    assert Browser(app, "192.0.2.99").log_in("captain-1").status_code == 303


@pytest.mark.parametrize(
    "there",
    [
        "//evil.example",
        "https://evil.example",
        "/\\evil.example",
        "javascript:alert(1)",
        "/\t/evil.example",
        "\\\\evil",
        "/logout",
    ],
)
def test_the_login_leads_nowhere_else(fresh, there):
    app, _ = fresh
    assert Browser(app).log_in("officer-1", there=there).headers["Location"] == "/"


def test_what_is_typed_at_the_login_is_text(fresh):
    app, _ = fresh
    browser = Browser(app)
    name = '"><script>alert(1)</script>'
    assert "<script>alert" not in browser.log_in(name, "x" * 20, there=name).text


# --- other sites, other bodies ----------------------------------------------------------------------------------------


def test_without_the_token_of_the_page_nothing_is_done(app):
    browser = logged_in(app, OFFICER)
    for output in callbacks(app):
        assert browser.ask(output, csrf=False).status_code == 403
    for rule, method in routes(app):
        if method != "GET":
            assert browser.post(example(rule)).status_code in NOT_LET_IN, rule


def test_a_page_made_for_somebody_else_of_this_browser_is_refused(app):
    """Everything it asks, so every way to save something; the name as it is written in an address."""
    browser = logged_in(app, OFFICER)
    browser.environ["HTTP_X_PAGE_OF"] = "%C3%96da"
    for output in callbacks(app):
        answer = browser.ask(output)
        assert answer.status_code == 409, output
        assert answer.text == "You are logged in as officer-1 now. Load the page anew.\n"
    browser.environ["HTTP_X_PAGE_OF"] = "officer%2D1"
    assert browser.ask("decided.data").status_code == 200


def test_a_planted_token_is_of_no_use_against_a_session(app):
    """A neighbouring host may set a cookie; it cannot know what belongs to this session."""
    browser = logged_in(app, OFFICER)
    browser.client.set_cookie("_csrf_token", "p" * 43)
    assert browser.ask("queue.markup").status_code == 403
    assert browser.post("/logout", data={"csrf_token": "p" * 43}).status_code == 403


@pytest.mark.parametrize("origin", ["http://elsewhere.example", "null", "https://localhost"])
def test_a_form_of_another_site_is_refused(app, origin):
    browser = Browser(app)
    token = browser.get("/login").text.split('name="csrf_token" value="')[1].split('"')[0]
    form = {"name": "officer-1", "password": PASSWORD, "csrf_token": token}
    assert browser.post("/login", data=form, headers={"Origin": origin}).status_code == 403


def test_a_body_too_large_is_refused(app):
    browser = logged_in(app, OFFICER)
    token = browser.cookie("_csrf_token")
    large = "x" * (3 * 1024 * 1024)
    assert browser.post("/account", data={"csrf_token": token, "old": large}).status_code == 413
    headers = {"X-CSRFToken": token}
    assert browser.post("/_dash-update-component", json={"output": large}, headers=headers).status_code == 413


@pytest.mark.parametrize(
    "path",
    [
        "/assets/../app.py",
        "/assets/%2e%2e/app.py",
        "/assets/..%2fapp.py",
        "/login/../assets/1_watch.js",
        "/_dash-component-suites/dash/../../../etc/passwd",
        "/assets//etc/passwd",
    ],
)
def test_no_path_leads_out_of_its_folder(app, path):
    answer = logged_in(app, OFFICER).get(path)
    assert "root:" not in answer.text
    assert "def create_app" not in answer.text


def test_another_name_is_refused_and_a_known_one_answered(people):
    app = dashboard_of(people, deployment=Deployment(hosts=frozenset({"watch.example.org"})))
    for host, status in (("watch.example.org", 200), ("127.0.0.1:8050", 200), ("evil.example", 403), ("", 403)):
        assert Browser(app, HTTP_HOST=host).get("/login").status_code == status


def test_answers_are_not_kept(app):
    browser = logged_in(app, OFFICER)
    for path in ("/", "/account", "/_dash-layout"):
        assert browser.get(path).headers["Cache-Control"] == "no-store", path


# --- no account yet ---------------------------------------------------------------------------------------------------


def test_without_accounts_only_this_machine_is_let_in(tmp_path):
    with People(str(tmp_path / "people.sqlite"), hasher=QUICK) as people:
        app = dashboard_of(people)
        assert Browser(app).get("/_dash-layout").status_code == 200
        assert Browser(app, "192.0.2.7").get("/_dash-layout").status_code == 401
        people.accounts.add("ines", OFFICER, PASSWORD, by=ROOT)
        assert Browser(app).get("/_dash-layout").status_code == 401
        assert Browser(app).log_in("ines").status_code == 303


def test_accounts_that_cannot_be_read_let_nobody_in(tmp_path):
    path = tmp_path / "people.sqlite"
    with People(str(path), hasher=QUICK, pause=lambda _s: None) as people:
        app = dashboard_of(with_accounts(people))
        browser = logged_in(app, OFFICER)
        path.rename(tmp_path / "away.sqlite")
        answer = browser.get("/_dash-layout")
        assert answer.status_code == 503
        assert "missing or cannot be opened" in answer.text


# --- one's own account ------------------------------------------------------------------------------------------------


def test_a_password_is_changed_by_who_knows_it(fresh):
    app, people = fresh
    browser, elsewhere = logged_in(app, CAPTAIN), logged_in(app, CAPTAIN)
    new = "nine herons on the mole"
    wrong = browser.send("/account", old="a guess at the password", new=new, again=new)
    assert (wrong.status_code, "not your password" in wrong.text) == (422, True)
    assert browser.send("/account", old=PASSWORD, new=new, again=new + "x").status_code == 400
    assert browser.send("/account", old=PASSWORD, new="short", again="short").status_code == 400
    assert people.accounts.is_right("captain-1", PASSWORD)
    done = browser.send("/account", old=PASSWORD, new=new, again=new)
    assert "Your password is changed" in done.text
    assert browser.get("/_dash-layout").status_code == 200
    assert browser.ask("page.children").status_code == 200
    assert elsewhere.get("/_dash-layout").status_code == 401
    assert Browser(app).log_in("captain-1").status_code == 401
    assert Browser(app).log_in("captain-1", new).status_code == 303


# --- a proxy that knows who it is -------------------------------------------------------------------------------------


def test_a_name_is_believed_in_the_header_of_the_proxy_alone(people):
    believing = dashboard_of(people, deployment=Deployment(behind_proxy=True, user_header="X-Remote-User"))
    for name, status in (("analyst-1", 200), ("Analyst-1 ", 200), ("stranger", 401), ("", 401)):
        answer = Browser(believing).get("/_dash-layout", headers={"X-Remote-User": name})
        assert answer.status_code == status, name
    asked = Browser(believing).get("/audit", headers={"X-Remote-User": "analyst-1"})
    assert asked.status_code == 403
    plain = dashboard_of(people)
    assert Browser(plain).get("/_dash-layout", headers={"X-Remote-User": "analyst-1"}).status_code == 401


def test_a_shut_account_is_not_let_in_by_a_header_either(fresh):
    _, people = fresh
    app = dashboard_of(people, deployment=Deployment(behind_proxy=True, user_header="X-Remote-User"))
    people.accounts.disable("analyst-1", by=ROOT)
    assert Browser(app).get("/_dash-layout", headers={"X-Remote-User": "analyst-1"}).status_code == 401


@pytest.mark.parametrize(
    ("said", "why"),
    [
        ({"FDM_BEHIND_PROXY": "perhaps"}, "neither yes nor no"),
        ({"FDM_USER_HEADER": "X-Remote-User"}, "only believed from a proxy"),
        ({"FDM_DROP_FOLDER": "/no/such/folder"}, "there is no such folder"),
    ],
)
def test_a_deployment_that_cannot_be_is_said(said, why):
    with pytest.raises(FdmError, match=why):
        deployment_of(said)


def test_a_deployment_as_its_environment_says(tmp_path):
    said = {"FDM_HOSTS": "Watch.example.org, w.example", "FDM_BEHIND_PROXY": "1", "FDM_DROP_FOLDER": str(tmp_path)}
    found = deployment_of(said)
    assert found == Deployment(frozenset({"watch.example.org", "w.example"}), True, tmp_path.resolve())
    assert deployment_of({}) == Deployment()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "::"])
def test_no_other_machine_reaches_a_dashboard_without_accounts(tmp_path, monkeypatch, host):
    monkeypatch.delenv("FDM_PEOPLE_URL", raising=False)
    with pytest.raises(FdmError, match="fdm user add NAME --role officer"):
        reach(tmp_path / "rollouts", host)
    with People(str(tmp_path / "rollouts.people.sqlite"), hasher=QUICK) as people:
        with_accounts(people)
    with pytest.raises(FdmError, match="the name under which others open the dashboard is not said"):
        reach(tmp_path / "rollouts", host)
    assert reach(tmp_path / "rollouts", host, ["watch.example.org"]).hosts == {"watch.example.org"}
