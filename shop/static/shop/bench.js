// The bench works without this. It keeps empty fields out of the address, shows refusals, and fetches a new unit's card.

const form = document.getElementById("bench-form");

form.addEventListener("formdata", (event) => {
  for (const [name, value] of [...event.formData]) if (!value) event.formData.delete(name);
});

// What stands in for empty fields belongs to the unit, so another unit brings a new form.
document.getElementById("id_unit").addEventListener("change", (event) => {
  event.stopPropagation();
  form.submit();
});

document.body.addEventListener("htmx:beforeSwap", (event) => {
  if (event.detail.xhr.status !== 422) return;
  event.detail.shouldSwap = true;
  event.detail.isError = false;
});
