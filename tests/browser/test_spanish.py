"""A Spanish phone works the start of a job, and goes on out of reach, without an English sentence on its screens."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, Page, expect

from halfsplit.machine.reading import load_machine

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
PHONE: Any = {"width": 390, "height": 844}
#: English that neither Spanish nor a name of the machine file has. Names are taken out first.
ENGLISH = re.compile(
    r"\b(the|of|and|with|is|are|not|what|this|it|for|your|read|found|check|wire|half|cavity)\b", re.IGNORECASE
)

TEXT = """() => {
  const drawn = [...document.querySelectorAll("svg")];
  for (const one of drawn) one.style.display = "none";
  const text = document.body.innerText;
  for (const one of drawn) one.style.display = "";
  return text;
}"""


def names() -> re.Pattern[str]:
    """Whatever the sweeper's file names."""
    machine = load_machine(EXAMPLES / "saltmarsh-sweeper")
    found = {machine.name}
    for kind in ("parts", "connectors", "runs", "zones", "states", "functions"):
        found |= {one.name for one in getattr(machine, kind).values() if one.name}
    return re.compile("|".join(re.escape(one) for one in sorted(found, key=len, reverse=True)), re.IGNORECASE)


@pytest.fixture
def page(browser: Browser) -> Iterator[Page]:
    """A phone whose browser is set to Spanish."""
    context = browser.new_context(viewport=PHONE, has_touch=True, reduced_motion="reduce", locale="es-MX")
    found = context.new_page()
    found.set_default_timeout(60_000)
    yield found
    context.close()


def in_spanish(phone: Any, name: str) -> None:
    """Fails when the screen cannot be read or reached, or says something in English."""
    phone.page.evaluate("() => document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    phone.looked_over(name)
    kept = os.environ.get("HALFSPLIT_PICTURES", "")
    if kept:
        phone.page.screenshot(path=f"{kept}/{name}.png", full_page=True)
    # The map breaks the names of zones into lines; the list below it has them whole.
    text = phone.page.evaluate(TEXT)
    left = names().sub("", text)
    assert not ENGLISH.search(left), [line for line in left.splitlines() if ENGLISH.search(line)]


def fill_opening(page: Page) -> None:
    """Says what fails on the sweeper, up to the last tap."""
    page.get_by_role("button", name="Abrir un trabajo").tap()
    page.get_by_role("radio", name="Saltmarsh sweeper").click()
    page.get_by_role("button", name="Añadir lo que falla").tap()
    page.get_by_label("Buscar una función").fill("Left dust spray")
    page.get_by_role("dialog").get_by_role("button", name="Left dust spray").tap()
    page.get_by_label("¿Cómo está puesta la máquina entonces?").select_option(label="Sweeping, engine hot")
    page.get_by_role("dialog").get_by_role("button", name="no funciona", exact=True).tap()
    page.get_by_label("lluvia", exact=True).check()


def test_a_spanish_phone_starts_a_job_and_goes_on_out_of_reach(served: Any, phone: Any, page: Page) -> None:
    page.goto(served.address)
    expect(page.get_by_role("heading", name="Trabajos")).to_be_visible()
    assert page.evaluate("() => document.documentElement.lang") == "es"
    in_spanish(phone, "jobs")
    fill_opening(page)
    in_spanish(phone, "opening")
    page.get_by_role("button", name="Empezar el trabajo").tap()
    expect(page.get_by_role("heading", name="¿Qué encontró?")).to_be_visible()
    expect(page.get_by_role("heading", name="Precauciones")).to_be_visible()
    in_spanish(phone, "next")
    phone.carried()
    page.get_by_role("button", name="No se llega").tap()
    expect(page.get_by_text("Anotado").first).to_be_visible()
    in_spanish(phone, "recorded")
    page.get_by_role("link", name="Sospechas").tap()
    expect(page.get_by_role("heading", name="Sospechas")).to_be_visible()
    in_spanish(phone, "suspects")
    for part in ("Dónde", "Registro"):
        page.get_by_role("link", name=part).tap()
        expect(page.get_by_role("heading", name=part, exact=True)).to_be_visible()
        in_spanish(phone, part)
    page.get_by_role("link", name="Sigue").tap()
    phone.carried()
    page.context.set_offline(True)
    page.get_by_role("button", name="No se llega").tap()
    expect(page.get_by_text("1 anotación espera en este teléfono.")).to_be_visible()
    expect(page.get_by_role("heading", name="¿Qué encontró?")).to_be_visible()
    in_spanish(phone, "out-of-reach")
    page.reload()
    expect(page.get_by_text("1 anotación espera en este teléfono.")).to_be_visible()
    expect(page.get_by_role("heading", name="¿Qué encontró?")).to_be_visible()
    in_spanish(phone, "opened-out-of-reach")


def test_what_was_found_is_weighed_mended_and_proven_in_spanish(served: Any, phone: Any, page: Page) -> None:
    page.goto(served.address)
    fill_opening(page)
    page.get_by_role("button", name="Empezar el trabajo").tap()
    page.get_by_role("button", name="Algo anda mal").tap()
    sheet = page.get_by_role("dialog")
    line = sheet.locator(".walk-line").filter(has_text="Left dust spray")
    line.tap()
    sheet.get_by_role("group", name="Left dust spray").get_by_role("button", name="no funciona", exact=True).tap()
    expect(line).to_contain_text("✗ no funciona")
    in_spanish(phone, "walk")
    sheet.get_by_role("button", name="Anotar (1)").tap()
    expect(page.get_by_text("Anotado").first).to_be_visible()
    job = served.desk.job().id
    assert len(served.desk.job(job).entries) > 1

    page.get_by_role("link", name="Sospechas").tap()
    page.locator("button.suspect").first.tap()
    expect(page.locator(".case")).to_be_visible()
    # What says little is counted, and not told as something that speaks against.
    expect(page.locator(".case")).not_to_contain_text("dice poco:")
    expect(page.locator(".case")).to_contain_text("dicen poco.")
    in_spanish(phone, "why")
    page.get_by_role("link", name="Hoja de reparación").tap()
    expect(page.get_by_role("heading", name="Lleve consigo")).to_be_visible()
    in_spanish(phone, "mend")
    page.get_by_role("button", name="no reparado").tap()
    expect(page.get_by_text("Anotado").first).to_be_visible()
    for part, heading in (("proof", "Comprobación de la reparación"), ("papers", "Papeles e informe")):
        page.goto(f"{served.address}#/job/{job}/{part}")
        expect(page.get_by_role("heading", name=heading)).to_be_visible()
        expect(page.locator(".working")).to_have_count(0)
        in_spanish(phone, part)
        expect(page.get_by_text(".md")).to_have_count(0)


def test_the_language_is_chosen_on_the_phone_and_kept(served: Any, phone: Any, page: Page) -> None:
    page.goto(served.address)
    page.get_by_role("button", name="English").tap()
    expect(page.get_by_role("heading", name="Jobs")).to_be_visible()
    page.reload()
    expect(page.get_by_role("heading", name="Jobs")).to_be_visible()
    assert page.evaluate("() => document.documentElement.lang") == "en"
    phone.looked_over("jobs in English")
    page.get_by_role("button", name="Español").tap()
    expect(page.get_by_role("heading", name="Trabajos")).to_be_visible()
    assert page.evaluate("() => fetch('/api/nothing').then((found) => found.headers.get('content-language'))") == "es"
