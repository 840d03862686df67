
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
  const isLive = "live" in document.documentElement.dataset;
  const isOwn = "own" in document.body.dataset;
  let latest = "";

  const rows = () => [...document.querySelectorAll("#all tbody tr")];
  const pageOf = (row) => row.querySelector("a").getAttribute("href");
  const articleOn = () => document.querySelector("main > article");

  const newest = () => {
    const known = latest && here(latest);
    if (known) return known;
    const key = (row) => row.dataset.recorded;
    return rows().reduce((best, each) => (best && key(best) >= key(each) ? best : each), null);
  };

  const mainOf = async (path) => {
    const answer = await fetch(path, { cache: "no-store" });
    if (!answer.ok) throw new Error(path);
    return new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main");
  };

  // The list has no articles: the newest one is fetched from its own page.
  const fetchNewest = async () => {
    const row = newest();
    const article = row && document.importNode((await mainOf(pageOf(row))).querySelector("article"), true);
    const old = articleOn();
    if (!article || (old && old.dataset.made === article.dataset.made)) return;
    if (old) old.remove();
    document.querySelector("main").append(article);
  };

  const show = async () => {
    const asked = location.hash === "#bench";
    if (!isOwn && asked && isLive) await fetchNewest();
    const article = articleOn();
    const shown = asked && location.hash === "#bench" && article !== null;
    document.body.classList.toggle("bench", shown);
    if (article) {
      article.classList.toggle("on-bench", shown);
      if (!isOwn && !shown) article.remove();
    }
    const link = here("views").querySelector("a[data-bench]");
    if (!link) return;
    link.href = shown ? (isOwn ? `#${article.id}` : "#all") : "#bench";
    link.textContent = shown ? (isOwn ? "Whole page" : "All instruments") : "Bench card";
    link.hidden = !(isOwn || (isLive && rows().length));
    if (shown) scrollTo(0, 0);
  };

  addEventListener("hashchange", show);
  addEventListener("keydown", (event) => {
    if (event.key === "Escape" && document.body.classList.contains("bench")) {
      here("views").querySelector("a[data-bench]").click();
    }
  });

  // ------------------------------------------------------------- what if
  const slide = (input) => {
    const figure = input.closest("figure");
    const place = JSON.parse(input.dataset.places)[Number(input.value)];
    const put = (piece, told) => Object.entries(told).forEach(([name, value]) => piece.setAttribute(name, value));
    figure.querySelector("output").textContent = place.size;
    input.setAttribute("aria-valuetext", place.heard);
    figure.querySelectorAll("li").forEach((item, n) => { item.textContent = place.said[n]; });
    put(figure.querySelector(".mark .at"), { x1: place.x, x2: place.x });
    const dots = figure.querySelectorAll(".mark .dot");
    figure.querySelectorAll(".mark .bar").forEach((bar, n) => {
      const ends = place.y[n];
      for (const piece of [bar, dots[n]]) piece.classList.toggle("off", !ends.length);
      if (!ends.length) return;
      put(bar, { x1: place.x, x2: place.x, y1: ends[0], y2: ends[2] });
      put(dots[n], { cx: place.x, cy: ends[1] });
    });
  };

  addEventListener("input", (event) => {
    if (event.target.matches(".whatif input[type=range]")) slide(event.target);
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

  const changed = (piece) => {
    const told = [piece, ...piece.querySelectorAll("tr[data-made]")].filter((each) => each.dataset.made);
    return told.filter((each) => here(each.id)?.dataset.made !== each.dataset.made).map((each) => each.dataset.said);
  };

  const renew = (fresh) => {
    const main = document.querySelector("main");
    const said = [];
    const focused = document.activeElement?.closest("article")?.id;
    const pieces = [...fresh.children].map((piece) => {
      const old = piece.id ? here(piece.id) : main.querySelector(`:scope > .${piece.classList[0]}`);
      if (old && old.outerHTML === piece.outerHTML) return old;
      if (old && piece.dataset.made && old.dataset.made === piece.dataset.made) return old;
      said.push(...changed(piece));
      const made = document.importNode(piece, true);
      if (old) keep(old, made);
      return made;
    });
    const stays = new Set(pieces);
    if (!isOwn && articleOn()) stays.add(articleOn());
    for (const old of [...main.children]) if (!stays.has(old)) old.remove();
    // What stays is moved only where its place changed, so that nothing loses the focus.
    pieces.forEach((piece, n) => {
      if (main.children[n] !== piece) main.insertBefore(piece, main.children[n] ?? null);
    });
    letSort(main);
    if (focused && document.activeElement === document.body) here(focused)?.querySelector("summary, a")?.focus();
    return said.filter(Boolean);
  };

  const root = isOwn ? "../" : "";
  const page = location.pathname.split("/").pop() || "./";
  let version = null;
  const ask = async () => {
    let wait = EVERY_MS;
    try {
      const told = await (await fetch(`${root}live`, { cache: "no-store" })).json();
      let isNew = Boolean(told.latest) && told.latest !== latest;
      if (version !== null && told.version !== version) {
        const said = renew(await mainOf(page));
        here("live").textContent = said.join("; ") || "watching";
        isNew = true;
      } else if (version === null || here("live").dataset.lost) here("live").textContent = "watching";
      delete here("live").dataset.lost;
      version = told.version;
      latest = told.latest;
      if (isNew) await show();
    } catch {
      here("live").textContent = "the watch has ended; these are its last readings";
      here("live").dataset.lost = "true";
      wait = LATER_MS;
    }
    setTimeout(ask, wait);
  };

  letSort(document);
  show();
  if (isLive) ask();
})();
