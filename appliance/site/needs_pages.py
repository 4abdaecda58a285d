"""The needs: choose, read, copy and change a sheet. The page only asks; the listening part checks again and keeps."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Sequence
from pathlib import Path

from flask import Flask, abort, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import AskError, ask
from appliance.judge import needs
from appliance.judge.needs import Listed
from appliance.judge.sheet import SheetError
from appliance.site import sheet_form
from appliance.site.letting_in import changes
from appliance.site.orders import carry_out
from appliance.site.picture import PictureFile
from appliance.take.name import slug

SAID = {
    "kept": "The sheet was kept.",
    "used": "The sheet is in use. A new watch has begun: verdict and faults start anew.",
    "deleted": "The sheet was deleted.",
}
"""What the page may be told to say; nothing else can be put there by an address."""


def install(app: Flask, picture: PictureFile, folders: Sequence[Path], command_socket: Path) -> None:
    """Adds the pages to app. folders: where sheets are looked for, the first of them the user's own."""
    _reading(app, picture, folders)
    _changing(app, picture, folders, command_socket)


def _reading(app: Flask, picture: PictureFile, folders: Sequence[Path]) -> None:
    @app.get("/needs")
    def sheets() -> str:
        shown, listed = picture.look().picture, needs.list_all(folders)
        taken = next((one for one in listed if one.name == request.args.get("taken")), None)  # the picture follows
        return render_template(
            "needs.html",
            sheets=listed,
            in_use=(taken or shown["needs"]) if shown else None,
            own=_own(folders),
            said=SAID.get(request.args.get("said", "")),
        )

    @app.get("/needs/<name>")
    def sheet(name: str) -> str:
        listed = _listed(folders, name)
        if listed.problem:
            return render_template("needs_sheet.html", sheet=listed, own=_own(folders), in_use=False, groups=[])
        found = needs.load(name, folders)
        values = sheet_form.values_of(tomllib.loads(needs.text(name, folders)))
        return render_template(
            "needs_sheet.html",
            sheet=listed,
            own=_own(folders),
            in_use=_in_use(picture) == name,
            groups=sheet_form.groups(values),
            warnings=needs.warnings(found),
        )

    @app.get("/needs/<name>/change")
    def change(name: str) -> str:
        listed = _listed(folders, name)
        try:
            values = sheet_form.values_of(tomllib.loads(needs.text(name, folders)))
        except (ValueError, RecursionError):  # no TOML, no text at all, or nested too deeply
            abort(422, f"That sheet is no TOML and cannot be changed here: {listed.problem}")
        if listed.where != _own(folders):
            values["title"] = f"{listed.title}, my copy"[:80]
        return _form(listed, values, own=_own(folders), in_use=_in_use(picture) == name)


def _changing(app: Flask, picture: PictureFile, folders: Sequence[Path], command_socket: Path) -> None:
    @app.post("/needs/<name>/change")
    @changes
    def keep(name: str) -> AnyResponse | str | tuple[str, int]:
        listed = _listed(folders, name)
        values = {key: value for key, value in request.form.items() if key not in ("token", "pin", "do", "more")}
        left_out = {key.removeprefix("without.") for key in values if key.startswith("without.")}
        values = {
            key: value
            for key, value in values.items()
            if not key.startswith("without.") and not any(key.startswith(f"message.{type_}.") for type_ in left_out)
        }
        own, in_use = _own(folders), _in_use(picture) == name
        more = request.form.get("more", "").strip().upper()
        if request.form.get("do") == "add":
            if sheet_form.TYPE.fullmatch(more):
                values.setdefault(f"message.{more}.rate_hz", "1")
            return _form(listed, values, own=own, in_use=in_use)
        made = sheet_form.document(values)
        own_sheet = listed.where == own
        called = name if own_sheet else _free_name(folders, str(made.get("title", "")))
        try:
            needs.from_document(made, called)
        except SheetError as error:
            return _form(listed, values, own=own, in_use=in_use, error=error), 422
        try:
            ask(command_socket, {"do": "needs-keep", "name": called, "toml": sheet_form.toml(made)})
        except AskError as refused:
            return _form(listed, values, own=own, in_use=in_use, says=str(refused)), 503
        return redirect(f"/needs?said={'used' if in_use and own_sheet else 'kept'}", 303)

    @app.post("/needs/<name>/use")
    @changes
    def use(name: str) -> AnyResponse:
        _listed(folders, name)
        order = {"do": "needs-use", "name": name}
        return carry_out(lambda: ask(command_socket, order), SAID["used"], f"/needs?said=used&taken={name}")

    @app.post("/needs/<name>/delete")
    @changes
    def delete(name: str) -> AnyResponse:
        order = {"do": "needs-delete", "name": name}
        return carry_out(lambda: ask(command_socket, order), SAID["deleted"], "/needs?said=deleted")


def _form(
    listed: Listed,
    values: dict[str, str],
    *,
    own: str,
    in_use: bool,
    error: SheetError | None = None,
    says: str = "",
) -> str:
    problems = error.problems if error else []
    groups = sheet_form.groups(values, problems)
    shown = {one.name for group in groups for one in group.fields if one.problem}
    elsewhere = [str(problem) for problem in problems if f"{problem.table}.{problem.key}".lstrip(".") not in shown]
    return render_template(
        "needs_change.html", sheet=listed, groups=groups, copy=listed.where != own,
        in_use=in_use and listed.where == own, wrong=len(shown), says=says, elsewhere=elsewhere,
    )  # fmt: skip


def _own(folders: Sequence[Path]) -> str:
    """Where the user's own sheets lie, as the list tells it."""
    return str(folders[0]) if folders else ""


def _listed(folders: Sequence[Path], name: str) -> Listed:
    found = next((one for one in needs.list_all(folders) if one.name == name), None)
    if found is None:
        abort(404, "There is no such sheet on this box.")
    return found


def _in_use(picture: PictureFile) -> str:
    shown = picture.look().picture
    return str(shown["needs"]["name"]) if shown else ""


def _free_name(folders: Sequence[Path], title: str) -> str:
    taken = {one.name for one in needs.list_all(folders)}
    name = slug(title)[:36].strip("-")
    numbered = (f"{name}-{n}" for n in itertools.count(2))
    return next(one for one in itertools.chain((name,), numbered) if one not in taken)
