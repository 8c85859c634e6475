"use strict";
(function () {
  const byId = (id) => document.getElementById(id);

  // ---- which claims are shown ----
  const cards = [...document.querySelectorAll("article.claim")];
  const pick = document.querySelector(".pick");
  if (pick) {
    pick.hidden = false;
    const show = (verdict) => {
      let count = 0;
      for (const card of cards) {
        card.hidden = Boolean(verdict) && card.dataset.verdict !== verdict;
        count += card.hidden ? 0 : 1;
      }
      byId("shown-status").textContent = verdict ? count + " of " + cards.length + " claims shown" : "";
    };
    for (const radio of document.querySelectorAll("input[name=verdict]")) radio.addEventListener("change", () => show(radio.value));
    // A browser may keep the choice of an earlier visit.
    const kept = document.querySelector("input[name=verdict]:checked");
    if (kept) show(kept.value);
    // A link to a claim that the filter hides shows it again.
    const openAt = () => {
      const anchor = location.hash.replace(/^#/, "").split("&").find((piece) => piece && !piece.includes("="));
      const target = anchor && byId(anchor);
      if (!target || !target.hidden) return;
      document.querySelector("input[name=verdict][value='']").checked = true;
      show("");
      target.scrollIntoView();
    };
    window.addEventListener("hashchange", openAt);
  }

  // ---- the sentence to print, to the clipboard ----
  // What the page shows in the reader's units, without the other ones.
  function sentenceOf(button) {
    const words = button.closest(".print").querySelector(".sentence").cloneNode(true);
    const other = document.documentElement.dataset.units === "si" ? ".us" : ".si";
    for (const hidden of words.querySelectorAll(other)) hidden.remove();
    const invented = document.querySelector("aside.invented") ? " (Invented demo data.)" : "";
    return words.textContent.trim() + invented;
  }
  function copyOldWay(text) {
    const box = document.createElement("textarea");
    box.value = text;
    box.className = "unseen";
    document.body.append(box);
    box.select();
    const done = document.execCommand("copy");
    box.remove();
    return done;
  }
  async function copy(button) {
    const text = sentenceOf(button);
    let done = false;
    try {
      await navigator.clipboard.writeText(text);
      done = true;
    } catch {
      done = copyOldWay(text);
      button.focus({ preventScroll: true });
    }
    button.firstChild.textContent = done ? "Copied" : "Not copied";
    byId("copy-status").textContent = done ? "The sentence is on the clipboard." : "The browser does not let this page copy; mark the sentence instead.";
    setTimeout(() => (button.firstChild.textContent = "Copy"), 2000);
  }
  for (const button of document.querySelectorAll("button.copy")) {
    button.hidden = false;
    button.addEventListener("click", () => copy(button));
  }
})();
