// The pages work without this. It opens <details> for printing and keeps a sent form from being sent twice.

for (const event of ["beforeprint", "afterprint"]) {
  window.addEventListener(event, () => {
    for (const details of document.querySelectorAll("details")) {
      if (event === "beforeprint") {
        details.dataset.wasOpen = details.open;
        details.open = true;
      } else {
        details.open = details.dataset.wasOpen === "true";
      }
    }
  });
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method !== "post") return;
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
});

window.addEventListener("pageshow", () => {
  for (const form of document.querySelectorAll("form[data-sent]")) delete form.dataset.sent;
});
