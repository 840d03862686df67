
"use strict";
(() => {
  const EVERY_MS = 1000;
  const LATER_MS = 10000;
  const NAME = new Intl.Collator(undefined, { numeric: true });
  const here = (id) => document.getElementById(id);

  // ------------------------------------------------------------- sorting
  const keyOf = (row, column) => {
    const cell = row.cells[column];
    const told = cell.dataset.sort ?? cell.textContent.trim();
    const number = told === "" ? NaN : Number(told);
    return { told, number };
  };

  const sort = (table, column, order) => {
    const body = table.tBodies[0];
    const sign = order === "descending" ? -1 : 1;
    const rows = [...body.rows].map((row) => ({ row, key: keyOf(row, column) }));
    rows.sort((a, b) => {
      // What is not known comes last, whichever way.
      if ((a.key.told === "") !== (b.key.told === "")) return a.key.told === "" ? 1 : -1;
      const both = !Number.isNaN(a.key.number) && !Number.isNaN(b.key.number);
      return sign * (both ? a.key.number - b.key.number : NAME.compare(a.key.told, b.key.told));
    });
    body.append(...rows.map((each) => each.row));
    [...table.tHead.rows[0].cells].forEach((head, n) => {
      if (n === column) head.setAttribute("aria-sort", order);
      else head.removeAttribute("aria-sort");
    });
  };

  const letSort = (root) => {
    for (const table of root.querySelectorAll("table")) {
      [...table.tHead.rows[0].cells].forEach((head, column) => {
        if (head.querySelector("button")) return;
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = head.textContent;
        button.addEventListener("click", () => {
          sort(table, column, head.getAttribute("aria-sort") === "ascending" ? "descending" : "ascending");
        });
        head.replaceChildren(button);
      });
    }
  };

  // ---------------------------------------------------------- bench card
  let latest = "";
  const articles = () => [...document.querySelectorAll("main > article")];

  const newest = () => {
    const known = latest && here(latest);
    if (known) return known;
    const all = articles();
    const key = (article) => article.dataset.recorded;
    return all.reduce((best, each) => (best && key(best) >= key(each) ? best : each), null);
  };

  const show = () => {
    const asked = location.hash.match(/^#bench(?:\/(i-[0-9a-f]+))?$/);
    const chosen = asked ? (asked[1] && here(asked[1])) || newest() : null;
    document.body.classList.toggle("bench", Boolean(chosen));
    for (const article of articles()) article.classList.toggle("on-bench", article === chosen);
    const link = here("views").querySelector("a");
    link.href = chosen ? `#${chosen.id}` : "#bench";
    link.textContent = chosen ? "All instruments" : "Bench card";
    here("views").hidden = !articles().length;
    if (chosen) scrollTo(0, 0);
  };

  const letBench = (root) => {
    for (const list of root.querySelectorAll("article > nav > ul")) {
      if (list.querySelector(".tobench")) continue;
      const article = list.closest("article");
      const link = document.createElement("a");
      link.className = "tobench";
      link.href = `#bench/${article.id}`;
      link.textContent = "Bench card";
      const item = document.createElement("li");
      item.append(link);
      list.prepend(item);
    }
  };

  addEventListener("hashchange", show);
  addEventListener("keydown", (event) => {
    if (event.key === "Escape" && document.body.classList.contains("bench")) here("views").querySelector("a").click();
  });

  // ------------------------------------------------------------ updating
  const keep = (old, fresh) => {
    for (const open of old.querySelectorAll("details[open]")) {
      const same = fresh.querySelector(`details.${open.className}`);
      if (same) same.open = true;
    }
    const tables = [...fresh.querySelectorAll("table")];
    letSort(fresh);
    [...old.querySelectorAll("table")].forEach((table, n) => {
      const column = [...table.tHead.rows[0].cells].findIndex((head) => head.hasAttribute("aria-sort"));
      const same = tables[n] && tables[n].caption.textContent === table.caption.textContent;
      if (column >= 0 && same) sort(tables[n], column, table.tHead.rows[0].cells[column].getAttribute("aria-sort"));
    });
  };

  const renew = (text) => {
    const fresh = new DOMParser().parseFromString(text, "text/html").querySelector("main");
    const main = document.querySelector("main");
    const said = [];
    const focused = document.activeElement?.closest("article")?.id;
    const pieces = [...fresh.children].map((piece) => {
      const old = piece.id ? here(piece.id) : main.querySelector(`:scope > .${piece.classList[0]}`);
      if (old && piece.dataset.made && old.dataset.made === piece.dataset.made) return old;
      if (piece.dataset.said) said.push(piece.dataset.said);
      const made = document.importNode(piece, true);
      if (old) keep(old, made);
      return made;
    });
    const stays = new Set(pieces);
    for (const old of [...main.children]) if (!stays.has(old)) old.remove();
    // What stays is moved only where its place changed, so that nothing loses the focus.
    pieces.forEach((piece, n) => {
      if (main.children[n] !== piece) main.insertBefore(piece, main.children[n] ?? null);
    });
    letSort(main);
    letBench(main);
    show();
    if (focused && document.activeElement === document.body) here(focused)?.querySelector("summary, a")?.focus();
    return said;
  };

  let version = null;
  const ask = async () => {
    let wait = EVERY_MS;
    try {
      const told = await (await fetch("live", { cache: "no-store" })).json();
      if (version !== null && told.version !== version) {
        const said = renew(await (await fetch("./", { cache: "no-store" })).text());
        here("live").textContent = said.join("; ") || "watching";
      } else if (version === null || here("live").dataset.lost) here("live").textContent = "watching";
      delete here("live").dataset.lost;
      version = told.version;
      if (told.latest && told.latest !== latest) {
        latest = told.latest;
        show();
      }
    } catch {
      here("live").textContent = "the watch has ended; these are its last readings";
      here("live").dataset.lost = "true";
      wait = LATER_MS;
    }
    setTimeout(ask, wait);
  };

  letSort(document);
  letBench(document);
  show();
  if ("live" in document.documentElement.dataset) {
    latest = "";
    ask();
  }
})();
