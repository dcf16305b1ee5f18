"use strict";
(() => {
  const PER_PAGE = 24;
  const root = document.documentElement;
  const byId = (id) => document.getElementById(id);
  const list = byId("records"), form = byId("filters"), pages = byId("pages"), holder = byId("articles");
  const cards = Array.from(document.querySelectorAll(".cards > li"));
  const articles = new Map(Array.from(document.querySelectorAll("article"), (one) => [one.id, one]));
  const plain = (text) => text.normalize("NFD").replace(/\p{M}/gu, "").toLowerCase();
  const texts = new Map(cards.map((card) => [card, plain(articles.get(card.dataset.id).textContent)]));
  let found = cards, page = 0, open = null;

  const length = (text) => {
    const bare = text.trim().replace(",", ".");
    return bare === "" || isNaN(bare) ? null : Number(bare);
  };

  const filter = () => {
    const words = plain(byId("words").value).split(/\s+/).filter(Boolean);
    const of = byId("of").value, from = length(byId("from").value), to = length(byId("to").value);
    const verdict = byId("verdict").value;
    found = cards.filter((card) => {
      if (verdict && card.dataset.verdict !== verdict) return false;
      if (!words.every((word) => texts.get(card).includes(word))) return false;
      if (from === null && to === null) return true;
      return (card.dataset[of] || "").split(" ").filter(Boolean).map(Number)
        .some((size) => (from === null || size >= from) && (to === null || size <= to));
    });
    page = 0;
    show();
  };

  const show = () => {
    const last = Math.max(0, Math.ceil(found.length / PER_PAGE) - 1);
    page = Math.min(page, last);
    const shown = new Set(found.slice(page * PER_PAGE, (page + 1) * PER_PAGE));
    for (const card of cards) card.hidden = !shown.has(card);
    byId("count").textContent = found.length === cards.length
      ? `${cards.length} ${cards.length === 1 ? "record" : "records"}`
      : found.length === 0 ? "No record fits. Clear a field to see more." : `${found.length} of ${cards.length} records`;
    pages.hidden = last === 0;
    byId("page").textContent = `Page ${page + 1} of ${last + 1}`;
    byId("previous").disabled = page === 0;
    byId("next").disabled = page === last;
  };

  const turn = (step) => {
    page += step;
    show();
    list.scrollIntoView();
    const first = found[page * PER_PAGE];
    if (first) first.querySelector("a").focus({ preventScroll: true });
  };

  const route = () => {
    const article = articles.get(location.hash.slice(1));
    const before = open;
    open = article || null;
    for (const one of articles.values()) one.hidden = one !== open;
    holder.hidden = !open;
    list.hidden = form.hidden = Boolean(open);
    root.classList.toggle("printing-one", Boolean(open));
    if (open) {
      const at = found.findIndex((card) => card.dataset.id === open.id);
      for (const [name, step] of [["newer", -1], ["older", 1]]) {
        const link = open.querySelector("." + name), card = at < 0 ? null : found[at + step];
        link.hidden = !card;
        if (card) link.href = "#" + card.dataset.id;
      }
      requestAnimationFrame(() => window.scrollTo(0, 0)); // after the browser's own jump to the record
      open.querySelector("h2").focus({ preventScroll: true });
    } else if (before) {
      const at = found.findIndex((card) => card.dataset.id === before.id);
      if (at >= 0) {
        page = Math.floor(at / PER_PAGE);
        show();
        found[at].querySelector("a").focus();
      }
    }
  };

  for (const stage of document.querySelectorAll(".together")) {
    const slider = stage.parentElement.querySelector("input");
    const set = () => {
      stage.style.setProperty("--x", slider.value + "%");
      slider.setAttribute("aria-valuetext", `marked photo ${slider.value} percent, original ${100 - slider.value} percent`);
    };
    const drag = (event) => {
      const box = stage.getBoundingClientRect();
      slider.value = Math.round(Math.min(100, Math.max(0, (event.clientX - box.left) / box.width * 100)));
      set();
    };
    slider.addEventListener("input", set);
    stage.addEventListener("pointerdown", (event) => {
      if (event.button) return;
      stage.setPointerCapture(event.pointerId);
      drag(event);
    });
    stage.addEventListener("pointermove", (event) => {
      if (stage.hasPointerCapture(event.pointerId)) drag(event);
    });
    set();
  }

  form.addEventListener("input", filter);
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", () => setTimeout(filter));
  byId("previous").addEventListener("click", () => turn(-1));
  byId("next").addEventListener("click", () => turn(1));
  document.addEventListener("keydown", (event) => {
    if (event.key === "Escape" && open) location.hash = "records";
  });
  window.addEventListener("hashchange", route);
  root.classList.add("js");
  show();
  route();
})();
