"use strict";
// Search over builds and sources: every word typed must occur in the name or in what stands below it.
(function () {
  const data = JSON.parse(document.getElementById("data").textContent);
  const box = document.getElementById("find");
  const list = document.getElementById("found");
  const status = document.getElementById("found-status");
  const all = data.search;
  const count = all.name ? all.name.length : 0;
  const MOST = 12;
  const hay = Array.from({ length: count }, (_, i) => fold(all.name[i] + " " + all.below[i]));

  // Case and accents do not matter.
  function fold(text) {
    return text.normalize("NFD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  }
  function element(tag, text) {
    const made = document.createElement(tag);
    const own = document.createElement("bdi");
    own.textContent = text;
    made.append(own);
    return made;
  }
  function line(i) {
    const item = document.createElement("li");
    const what = document.createElement(data.searchPage ? "a" : "p");
    if (data.searchPage) {
      const kept = location.hash.replace(/^#/, "").split("&").filter((piece) => /^(units|theme)=/.test(piece));
      what.href = data.searchPage + "#" + [all.at[i], ...kept].join("&");
    }
    what.append(element("b", all.name[i]), element("span", (all.kind[i] === "source" ? "Source, " : "") + all.below[i]));
    item.append(what);
    return item;
  }
  function search() {
    const words = fold(box.value).split(/\s+/).filter(Boolean);
    const hits = [];
    if (words.length) for (let i = 0; i < count; i += 1) if (words.every((word) => hay[i].includes(word))) hits.push(i);
    list.replaceChildren(...hits.slice(0, MOST).map(line));
    if (!words.length) status.textContent = "";
    else if (!hits.length) status.textContent = "Nothing by that name.";
    else status.textContent = hits.length > MOST ? "First " + MOST + " of " + hits.length + "; another word narrows it." : hits.length + " found";
  }
  box.addEventListener("input", search);
  box.addEventListener("keydown", (event) => {
    if (event.key !== "Escape") return;
    box.value = "";
    search();
  });
})();
