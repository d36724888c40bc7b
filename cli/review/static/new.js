// Sending a picture: shows how far it is, and keeps it in hand when the network drops. Without this file the
// form is sent as any form.

const form = document.getElementById("new");
const progress = document.getElementById("progress");
const words = document.getElementById("progress-words");
const bar = progress.querySelector("progress");
const error = document.getElementById("new-error");
const button = form.querySelector("button");
const files = [document.getElementById("camera"), document.getElementById("photo")];
const most = Number(form.dataset.maxBytes);

function fail(text) {
  error.textContent = text;
  error.hidden = false;
  progress.hidden = true;
  button.disabled = false;
  button.focus();
}

// One picture at a time: choosing in one place empties the other.
files.forEach((file, i) => file.addEventListener("change", () => { if (file.files.length) files[1 - i].value = ""; }));

form.addEventListener("submit", (event) => {
  event.preventDefault();
  error.hidden = true;
  const chosen = files.map((file) => file.files[0]).find(Boolean);
  if (!chosen) {
    fail("No picture yet. Take one, or choose a file.");
    return;
  }
  if (chosen.size > most) {
    fail(`This file has ${(chosen.size / 1048576).toFixed(0)} MB; at most ${(most / 1048576).toFixed(0)} MB are taken. Choose a smaller picture.`);
    return;
  }
  button.disabled = true;
  progress.hidden = false;
  const request = new XMLHttpRequest(); // fetch does not tell how far an upload is
  request.open("POST", form.action);
  request.setRequestHeader("Accept", "application/json");
  request.upload.addEventListener("progress", (now) => {
    const share = Math.round((100 * now.loaded) / now.total);
    bar.value = share;
    words.textContent = share < 100 ? `Sending: ${share} %` : "Sent. Waiting for the computer …";
  });
  request.addEventListener("load", () => {
    let answer = {};
    try { answer = JSON.parse(request.responseText); } catch { /* not ours */ }
    if (request.status < 300 && answer.job) location.href = `/new/${encodeURIComponent(answer.job)}`;
    else if (request.status < 300 && request.responseURL && !request.responseURL.endsWith("/new")) location.href = request.responseURL;
    else fail(answer.error || "The picture was not taken. Try again.");
  });
  request.addEventListener("error", () => fail("No connection. The picture is still here: move nearer and send again."));
  const data = new FormData(form);
  data.delete("photo");
  data.append("photo", chosen);
  request.send(data);
});
