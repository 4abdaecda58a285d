// Names the countries in the language of the page: the phone knows them in it.
import { locale } from "./say.js";

const choice = document.querySelector("select[name=country]");
const names = new Intl.DisplayNames(locale, { type: "region" });
const known = [...choice.options].filter((option) => /^[A-Z]{2}$/.test(option.value));
for (const option of known) option.textContent = names.of(option.value);
known.sort((one, other) => one.textContent.localeCompare(other.textContent, locale));
choice.append(...known);
