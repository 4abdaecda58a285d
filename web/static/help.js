// Opens the finding that a link leads to; without a script it is only scrolled to.
function open() {
  const found = location.hash && document.getElementById(location.hash.slice(1));
  if (found && found.tagName === "DETAILS") {
    found.open = true;
    found.scrollIntoView();
  }
}

open();
addEventListener("hashchange", open);
