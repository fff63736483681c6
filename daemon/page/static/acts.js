// Waits for the answer to a form, keeps a form from being sent twice, and leads to what is wrong.

const EVERY_MS = 700;
const POLLS = 40;
const SENDING_MS = 5000;

/** Look for an answer until it is there, then load the page with it. @param {HTMLElement} block */
async function watch(block) {
  const { watch: address } = block.dataset;
  for (let poll = 0; poll < POLLS; poll += 1) {
    await new Promise((resolve) => { setTimeout(resolve, EVERY_MS); });
    try {
      const reply = await fetch(address, { cache: "no-store" });
      const known = await reply.json();
      if (known.ok !== null && known.ok !== undefined) {
        location.reload();
        return;
      }
    } catch {
      // The station does not answer just then; the frame says so, and the next look may do.
    }
  }
  const words = block.querySelector(".answer-text");
  if (words) words.textContent = "no answer yet; it is carried out as soon as measuring takes it.";
}

for (const block of document.querySelectorAll("[data-watch]")) watch(block);

// What came of a form, or what is wrong in it, is where the eye and the keyboard go on.
const first = document.querySelector("[aria-invalid=true]") ?? document.querySelector(".answer[tabindex]");
if (first) first.focus();

// Forms stay as they were loaded, so that nothing typed is lost; what is live beside them says when
// something else can be done by now.
for (const place of document.querySelectorAll(".act-place")) {
  const offers = () => place.querySelector("[data-offers]")?.dataset.offers;
  const loaded = offers();
  const changed = place.querySelector(".act-changed");
  new MutationObserver(() => { changed.hidden = offers() === loaded; })
    .observe(place.querySelector("[data-part]"), { childList: true });
}

document.addEventListener("submit", (event) => {
  const form = /** @type {HTMLFormElement} */ (event.target);
  if (form.dataset.sent) {
    event.preventDefault();
    return;
  }
  form.dataset.sent = "yes";
  setTimeout(() => { delete form.dataset.sent; }, SENDING_MS);
});
// Back from the cache of the browser a form may be sent again: its id keeps it to one act.
window.addEventListener("pageshow", () => {
  for (const form of document.forms) delete form.dataset.sent;
});
