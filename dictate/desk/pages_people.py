"""Signing in and out, one's own password, and the accounts page of the administrator."""

from __future__ import annotations

from starlette.responses import Response

from dictate.desk.accounts import LONGEST_SESSION, ROLE_WORDS
from dictate.desk.asking import Ask
from dictate.errors import DeskError, SignInError


def show_sign_in(ask: Ask) -> Response:
    """The form to sign in."""
    if ask.person is not None:
        return ask.go("/")
    return ask.page("sign_in.html", said="")


def sign_in(ask: Ask) -> Response:
    """Check user name and password and start a session."""
    if not ask.same_origin():
        raise DeskError("Sign in from the desk's own page.")
    try:
        token = ask.desk.people.sign_in(ask.text("username", longest=100), ask.form.get("password", ""), ask.address)
    except SignInError as error:
        answer = ask.page("sign_in.html", 429 if error.wait_s else 401, said=str(error))
        if error.wait_s:
            answer.headers["Retry-After"] = str(error.wait_s)
        return answer
    going = ask.go("/")
    going.set_cookie(
        ask.desk.cookie,
        token,
        max_age=int(LONGEST_SESSION.total_seconds()),
        path="/",
        httponly=True,
        samesite="strict",
        secure=ask.desk.tls,
    )
    return going


def sign_out(ask: Ask) -> Response:
    """End the session."""
    ask.desk.people.sign_out(ask.me)
    going = ask.go("/sign-in")
    going.delete_cookie(ask.desk.cookie, path="/")
    return going


def show_account(ask: Ask) -> Response:
    """One's own account."""
    return ask.page("account.html", role_words=ROLE_WORDS, said="")


def set_own_password(ask: Ask) -> Response:
    """Change one's own password; all sessions end."""
    if ask.form.get("fresh", "") != ask.form.get("again", ""):
        raise DeskError("The two new passwords differ; type them again.")
    ask.desk.people.confirm(ask.me, ask.form.get("password", ""))
    ask.desk.people.set_password(ask.me.username, ask.form.get("fresh", ""), by=ask.me.username)
    return ask.go("/sign-in")


def show_people(ask: Ask) -> Response:
    """All accounts."""
    return ask.page("people.html", people=ask.desk.people.all(), role_words=ROLE_WORDS)


def add_person(ask: Ask) -> Response:
    """A new account."""
    ask.desk.people.add(
        ask.text("username", longest=40),
        ask.text("name", longest=100),
        ask.text("role", longest=20),
        ask.form.get("password", ""),
        by=ask.me.username,
    )
    return ask.go("/people")


def change_person(ask: Ask) -> Response:
    """Role, password or closing of an account."""
    username = ask.request.path_params["username"]
    people, what = ask.desk.people, ask.form.get("what")
    if what == "role":
        people.set_role(username, ask.text("role", longest=20), by=ask.me.username)
    elif what == "password":
        people.set_password(username, ask.form.get("password", ""), by=ask.me.username)
    elif what in ("close", "open"):
        people.set_active(username, what == "open", by=ask.me.username)
    else:
        raise DeskError("The form was not complete; go back, reload the page and try again.")
    return ask.go("/people")
