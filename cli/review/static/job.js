// Asks how far a picture is read, and goes to the answer. Without this file the page reloads itself.

const card = document.getElementById("job");
const words = document.getElementById("job-words");
const marks = ["✓", "▸", "·"];

async function ask() {
  let job;
  try {
    const response = await fetch(location.href, { headers: { Accept: "application/json" } });
    if (!response.ok) { location.reload(); return; }
    job = await response.json();
  } catch {
    words.textContent = "No connection to the computer. The picture is safe there; this page keeps asking.";
    setTimeout(ask, 2000);
    return;
  }
  if (job.state === "done" && job.photo_id) { location.replace(`/photo/${job.photo_id}`); return; }
  if (job.state === "failed") { location.reload(); return; }
  if (words.textContent !== job.words) words.textContent = job.words;
  for (const line of document.querySelectorAll("#stages li")) {
    const at = Number(line.dataset.stage);
    line.querySelector("span").textContent = marks[at < job.stage ? 0 : at === job.stage ? 1 : 2];
    if (at === job.stage) line.setAttribute("aria-current", "step"); else line.removeAttribute("aria-current");
  }
  setTimeout(ask, 350);
}

if (["waiting", "reading"].includes(card.dataset.state)) setTimeout(ask, 200);
