// Fields of date and time that the box wants in UTC, shown and filled in by this phone's clock.

const pad = (number) => String(number).padStart(2, "0");

function local(utc) {
  const when = new Date(`${utc}Z`);
  if (Number.isNaN(when.getTime())) return utc;
  const day = [when.getFullYear(), when.getMonth() + 1, when.getDate()].map(pad).join("-");
  return `${day}T${[when.getHours(), when.getMinutes(), when.getSeconds()].map(pad).join(":")}`;
}

function utc(value) {
  const when = new Date(value); // without a zone it is this phone's own
  return Number.isNaN(when.getTime()) ? value : when.toISOString().slice(0, 19);
}

for (const field of document.querySelectorAll("input[type=datetime-local]")) {
  for (const name of ["min", "max"]) if (field[name]) field[name] = local(field[name]);
  if (field.value) field.value = local(field.value);
  field.form.addEventListener("formdata", ({ formData }) => {
    if (formData.get(field.name)) formData.set(field.name, utc(formData.get(field.name)));
  });
}
