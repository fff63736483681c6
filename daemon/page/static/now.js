// What is the matter stands in the title of the window, too, which is all that is seen of one
// behind others: it follows the part that carries it.

const part = document.querySelector('[data-part="as-of"]');

/** Take over the title that the part carries. */
function retitle() {
  const title = part.querySelector("[data-title]")?.dataset.title;
  if (title && title !== document.title) document.title = title;
}

new MutationObserver(retitle).observe(part, { childList: true });

// An answer is read, and then the page is of the present again.
const READ_MS = 30000;
const answers = document.querySelectorAll(".answer-done, .answer-refused");
if (answers.length) {
  setTimeout(() => {
    for (const each of answers) each.remove();
    history.replaceState(null, "", location.pathname);
  }, READ_MS);
}
