"use strict";
// A link may lead to a result inside a closed list: it is opened before it is shown.
(function () {
  function open() {
    const target = document.getElementById(decodeURIComponent(location.hash.slice(1)));
    if (!target) return;
    const list = target.closest("details") || target.querySelector("details");
    if (list) list.open = true;
    target.scrollIntoView();
  }
  window.addEventListener("hashchange", open);
  open();
})();
