// The bench works without this. It keeps empty fields out of the address, puts refusals
// beside their figures, and fetches a new unit's card.

const form = document.getElementById("bench-form");

form.addEventListener("formdata", (event) => {
  for (const [name, value] of [...event.formData]) if (!value) event.formData.delete(name);
});

// What stands in for empty fields belongs to the unit, so another unit brings a new form.
const unit = document.getElementById("id_unit");
unit.addEventListener("input", (event) => event.stopPropagation());
unit.addEventListener("change", (event) => {
  event.stopPropagation();
  form.submit();
});

document.body.addEventListener("htmx:beforeSwap", (event) => {
  if (event.detail.xhr.status !== 422) return;
  event.detail.shouldSwap = true;
  event.detail.isError = false;
});

// The answer names what is wrong with links to the fields; the same sentence goes beside each of them.
document.body.addEventListener("htmx:afterSwap", () => {
  for (const told of form.querySelectorAll(".field-error")) told.remove();
  for (const field of form.querySelectorAll("[aria-invalid]")) {
    field.removeAttribute("aria-invalid");
    field.closest(".field").classList.remove("has-error");
    const kept = (field.getAttribute("aria-describedby") ?? "").split(" ").filter((id) => id && !id.startsWith("wrong_"));
    if (kept.length) field.setAttribute("aria-describedby", kept.join(" "));
    else field.removeAttribute("aria-describedby");
  }
  for (const link of document.querySelectorAll("#bench-answer .form-errors a")) {
    const field = document.getElementById(link.hash.slice(1));
    if (!field?.matches("input, select")) continue;
    const told = document.createElement("p");
    told.className = "field-error";
    told.id = `wrong_${field.name}`;
    told.textContent = link.textContent;
    const box = field.closest(".field");
    box.classList.add("has-error");
    box.append(told);
    field.setAttribute("aria-invalid", "true");
    field.setAttribute("aria-describedby", `${field.getAttribute("aria-describedby") ?? ""} ${told.id}`.trim());
    field.closest("details")?.setAttribute("open", "");
  }
});
