// Copies the text of a field, and says that it did.
for (const button of document.querySelectorAll("[data-copies]")) {
  button.addEventListener("click", async () => {
    const field = document.getElementById(button.dataset.copies);
    const said = button.parentElement.querySelector("[data-copied]");
    try {
      await navigator.clipboard.writeText(field.value);
      said.textContent = "Copied.";
    } catch {
      // Without the permission the text is selected, and the keyboard copies it.
      field.select();
      said.textContent = "Selected: copy it with the keyboard.";
    }
  });
}
