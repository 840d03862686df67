// ------------------------------------------------ the key, questions to the server, pieces of the page
// Conventions: all text goes in as text, never as markup. A request that the server refuses throws `Refused`
// with what and remedy; a request that does not get through throws what fetch throws.

const KEY = "tapbatch-key";
const PATIENCE_MS = 30000;
const SOON_MS = 1000;
const LATEST_MS = 15000;

const here = (id) => document.getElementById(id);

/** Make an element: attributes by name, `on…` for what happens, and content, of which strings are text. */
const make = (name, attributes = {}, ...content) => {
  const element = document.createElement(name);
  for (const [key, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (key.startsWith("on")) element.addEventListener(key.slice(2), value);
    else if (key === "value" || key === "checked") element[key] = value;
    else element.setAttribute(key, value === true ? "" : value);
  }
  element.append(...content.filter((each) => each !== null && each !== undefined && each !== ""));
  return element;
};

const button = (text, onclick, attributes = {}) => make("button", { type: "button", onclick, ...attributes }, text);

const spotOf = () => document.activeElement?.dataset.spot;

/** Give the focus to what is called by a spot; if that is gone, to what is nearest to where it was. */
const focusOn = (spot, place) => {
  const section = place.closest("section:not([hidden])");
  const same = [...document.querySelectorAll("[data-spot]")].find((each) => each.dataset.spot === spot);
  const nearest = section?.querySelector("h2") ?? place.querySelector("input, button") ?? here("reading");
  if (!same && nearest.tagName === "H2") nearest.tabIndex = -1;
  (same ?? nearest).focus({ preventScroll: true });
};

/** Put fresh content into a place; what had the focus, by its data-spot, has it again. */
const fill = (place, ...content) => {
  const spot = place.contains(document.activeElement) ? spotOf() : undefined;
  place.replaceChildren(...content.filter(Boolean));
  if (spot !== undefined) focusOn(spot, place);
};

/** Say something to those who hear the page; said twice, it is heard twice. */
const say = (text) => {
  here("said").textContent = "";
  setTimeout(() => { here("said").textContent = text; }, 60);
};

/** Show and say what went wrong; nothing to say takes it away. */
const warn = (text) => {
  here("warned").hidden = !text;
  here("warned").firstElementChild.textContent = text;
};

// ------------------------------------------------ what this phone remembers
// A browser may refuse to remember; then the page forgets, and works.
const recall = (where, name) => {
  try {
    return JSON.parse(where().getItem(name));
  } catch {
    return null;
  }
};
const remember = (where, name, value) => {
  try {
    if (value === null) where().removeItem(name);
    else where().setItem(name, JSON.stringify(value));
  } catch { /* it forgets */ }
};
const session = () => sessionStorage;
const always = () => localStorage;

// ------------------------------------------------ the key
let key = null;

const takeKey = () => {
  const told = location.hash.slice(1);
  if (/^[A-Za-z0-9_-]{16,}$/.test(told)) {
    key = told;
    remember(session, KEY, key);
    history.replaceState(null, "", location.pathname);
  } else key = recall(session, KEY);
  return key !== null;
};

/** Show how to get a key, and nothing else. */
const lock = (why) => {
  key = null;
  remember(session, KEY, null);
  for (const each of document.querySelectorAll("dialog[open]")) each.close();
  here("all").hidden = true;
  here("no-key").hidden = false;
  here("key-why").textContent = why;
  here("line").textContent = "no key";
};

const NO_KEY = "This page opens with a key, and this link has none.";
const WRONG_KEY = (
  "The key of this page is no longer valid: the watch was started again, or the link is not complete.");

// ------------------------------------------------ questions
class Refused extends Error {
  constructor(status, told) {
    super(told.what || `the watch answered with ${status}`);
    this.status = status;
    this.told = told;
  }

  get text() {
    return sentence(this.message, this.told.remedy);
  }
}

/** Join what went wrong and its remedy as one line. */
const sentence = (what, remedy) => (remedy ? `${what}; ${remedy}` : what);

const BROKEN = "No connection to the watch. This page tries again by itself.";

/** Return what went wrong, as a line for the person at the bench. */
const troubleOf = (error) => (error instanceof Refused ? error.text : BROKEN);

const refusedBy = (status, told) => {
  if (status === 401 && key !== null) lock(WRONG_KEY);
  return new Refused(status, told ?? {});
};

/** Ask the server, and return its answer. */
const ask = async (path, { method = "GET", body } = {}) => {
  const headers = { "Tapbatch-Key": key ?? "" };
  if (body !== undefined) headers["Content-Type"] = "application/json";
  const stop = new AbortController();
  const timer = setTimeout(() => stop.abort(), PATIENCE_MS);
  try {
    const given = body === undefined ? undefined : JSON.stringify(body);
    const answer = await fetch(path, { method, headers, body: given, cache: "no-store", signal: stop.signal });
    const told = await answer.json().catch(() => null);
    if (!answer.ok) throw refusedBy(answer.status, told);
    if (told === null) throw new TypeError("half an answer");
    return told;
  } finally {
    clearTimeout(timer);
  }
};

const post = (path, body) => ask(path, { method: "POST", body });

/** Wait, but no longer than until the network is back or the page is looked at again. */
const pause = (ms) => new Promise((done) => {
  const end = () => {
    clearTimeout(timer);
    removeEventListener("online", end);
    document.removeEventListener("visibilitychange", seen);
    done();
  };
  const seen = () => { if (document.visibilityState === "visible") end(); };
  const timer = setTimeout(end, ms);
  addEventListener("online", end);
  document.addEventListener("visibilitychange", seen);
});

// ------------------------------------------------ places
// A destination of a series has a step, from 1; a word `step` without one means the step that was reached.
/** Return the stage of a destination as notes and readings call it. */
const stageOf = (d) => (d.step ? `${d.stage} step ${d.step}` : d.stage);

/** Return a destination as a line: instrument, stage and words. */
const placeOf = (d) => [d.instrument, stageOf(d), ...d.words.filter((word) => word !== "step")].join(", ");

const isSeries = (d) => Boolean(d) && (d.step > 0 || d.words.includes("step"));

/** Words that tell recordings of one step apart, so that its series is the same without them. */
const OF_ONE_RECORDING = /^(again|resets|step|at-.*|spot-.*)$/;

const isSameSeries = (a, b) => {
  const told = (d) => [d.instrument, d.stage, ...d.words.filter((word) => !OF_ONE_RECORDING.test(word)).sort()];
  return told(a).join("/").toLowerCase() === told(b).join("/").toLowerCase();
};

// ------------------------------------------------ questions to the maker
const closeDialog = (dialog) => { if (dialog.open) dialog.close(); };

/** Show a dialog; wait until it closes, then give the focus back, also where what had it was drawn anew. */
const showDialog = (dialog) => new Promise((done) => {
  const spot = spotOf();
  const section = document.activeElement?.closest("section") ?? here("reading");
  dialog.addEventListener("close", () => {
    if (spot !== undefined) focusOn(spot, section);
    done();
  }, { once: true });
  dialog.showModal();
});

/** Ask one question with big buttons; return the value of the one that was pressed, or null. */
const askMaker = async (title, line, answers) => {
  const dialog = here("question");
  let chosen = null;
  const buttons = answers.map(([text, value, strong]) => button(text, () => {
    chosen = value;
    closeDialog(dialog);
  }, { class: strong ? "strong" : undefined }));
  dialog.replaceChildren(
    make("h2", { id: "question-title" }, title), make("p", {}, line), make("div", { class: "answers" }, ...buttons));
  await showDialog(dialog);
  return chosen;
};
