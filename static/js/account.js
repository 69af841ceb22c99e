// Passkeys, and looking at a password that is being typed. Everything else works without this.

import { say } from "./page.js";

const usable = window.isSecureContext && Boolean(window.PublicKeyCredential?.parseCreationOptionsFromJSON);

for (const box of document.querySelectorAll("[data-reveal]")) {
  const field = document.getElementById(box.dataset.reveal);
  box.checked = false;
  box.addEventListener("change", () => {
    field.type = box.checked ? "text" : "password";
  });
  // Sent hidden, so that the browser takes it for the password it is.
  field.form.addEventListener("submit", () => {
    field.type = "password";
  });
}

for (const place of document.querySelectorAll("[data-passkey]")) {
  if (!usable) {
    place.classList.add("quiet");
    place.textContent = window.isSecureContext
      ? "This browser knows no passkeys."
      : "Passkeys need a site that is served over https.";
    continue;
  }
  const button = place.querySelector("button");
  button.addEventListener("click", async () => {
    button.disabled = true;
    try {
      const answered = await exchange(place.dataset.passkey, "makes" in place.dataset);
      location.assign(answered.go || place.dataset.then || "/");
    } catch (problem) {
      button.disabled = false;
      say(wordsFor(problem));
    }
  });
}

/** Ask the server what to ask the device, ask the device, and send its answer. */
async function exchange(address, makes) {
  const options = await post(`${address}/options`, {});
  const credential = makes
    ? await navigator.credentials.create({ publicKey: PublicKeyCredential.parseCreationOptionsFromJSON(options) })
    : await navigator.credentials.get({ publicKey: PublicKeyCredential.parseRequestOptionsFromJSON(options) });
  return post(address, credential.toJSON());
}

async function post(address, body) {
  const response = await fetch(address, {
    method: "POST",
    headers: { Accept: "application/json", "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  const told = await response.json().catch(() => ({}));
  if (!response.ok) throw new Error(told.error ?? "The server is not answering properly just now.");
  return told;
}

function wordsFor(problem) {
  if (problem.name === "InvalidStateError") return "This device has a passkey for your account already.";
  // Also what a browser says when there is none, so that a site cannot find out which.
  if (problem.name === "NotAllowedError") return "No passkey was given: it was stopped, took too long, or this device has none for this site.";
  if (problem instanceof TypeError) return "No connection. Try again when it is back.";
  return problem.message;
}
