// ------------------------------------------------ what the page knows
// Conventions: the state is what the server last said; a section is drawn anew only where what it shows has changed,
// so that nothing under a finger moves. This phone's own destination stands beside it, and everything it sends or
// begins carries it: another phone, or the terminal, may say something else meanwhile.

const LAPSE_HOURS = 4;
const NIGHT_HOUR = 4;
const FIRST_SHOWN = 3;

const page = {
  state: null, destination: null, chosen: false, isNew: false, said: 0, lapsed: false,
  begun: 0, taken: 0, cautions: null, readings: [], latest: 0, known: 0, sent: new Set(),
  drawn: new Map(), asked: {}, wholeList: false, report: "",
};

/** Draw a section where what it shows has changed. */
const drawSection = (name, facts, draw) => {
  const told = JSON.stringify(facts);
  if (page.drawn.get(name) === told) return;
  page.drawn.set(name, told);
  fill(here(name).querySelector(":scope > div"), ...draw());
};

// ------------------------------------------------ this phone's own destination
const ownName = () => `tapbatch-destination ${page.state.shop}`;

/** Tell whether what was said has lapsed: four hours without a word, or a night, as for the terminal. */
const hasLapsed = (saidMs, nowMs = Date.now()) => {
  const night = new Date(nowMs);
  night.setHours(NIGHT_HOUR, 0, 0, 0);
  if (night.getTime() > nowMs) night.setDate(night.getDate() - 1);
  return nowMs - saidMs > LAPSE_HOURS * 3600e3 || saidMs < night.getTime();
};

/** Make a destination this phone's own, or tell that it was used. */
const keepDestination = (destination) => {
  Object.assign(page, { destination, chosen: true, isNew: false, lapsed: false, said: Date.now() });
  remember(always, ownName(), { destination, said: page.said });
};

const destinationOfBench = (bench) => {
  if (!bench) return null;
  const { instrument, stage, words, step, on } = bench;
  return { instrument, stage, words, step: step ?? 0, on };
};

/** Find the destination: this phone's own, else what the shop has on the bench. */
const findDestination = () => {
  if (!page.chosen) {
    const own = recall(always, ownName());
    if (own) Object.assign(page, { destination: own.destination, chosen: true, said: own.said });
  }
  page.lapsed = page.chosen && hasLapsed(page.said);
  if (!page.chosen) page.destination = destinationOfBench(page.state.bench);
  // Another phone, or the terminal, may have begun the next step of the same series.
  const reached = page.destination && (page.state.steps ?? []).find((each) => isSameSeries(each, page.destination));
  if (reached && isSeries(page.destination) && page.destination.step < reached.step) {
    page.destination = { ...page.destination, step: reached.step };
  }
};

// ------------------------------------------------ asking for the state
const stateQuery = () => {
  if (!page.destination || !page.chosen) return "";
  const { instrument, stage, step, words } = page.destination;
  return `?${new URLSearchParams({ instrument, stage, step, words: words.join("/") })}`;
};

const takeState = (state) => {
  page.state = state;
  if (state.mine) page.cautions = state.mine.cautions;
  findDestination();
  draw();
};

/** Ask for the state; an answer that was overtaken by a later one is let go. */
const refresh = async () => {
  const number = ++page.begun;
  const state = await ask(`/phone/state${stateQuery()}`);
  if (number < page.taken) return;
  page.taken = number;
  takeState(state);
};

/** Take the state that came with what was done; whatever was asked before is older, so it is asked for once more. */
const takeDone = (state) => {
  page.taken = ++page.begun;
  takeState(state);
  refresh().catch(() => { /* the next round tells */ });
};

/** Say whether the watch answers, and if it does not, what is wrong. */
const connected = (trouble = "") => {
  const told = trouble || "connected to the watch";
  if (here("line").textContent !== told) here("line").textContent = told;
  here("line").classList.toggle("fault", trouble !== "");
};

/** Do what a button asks for, and show what went wrong. */
const tryTo = async (action) => {
  warn("");
  try {
    await action();
  } catch (error) {
    if (key !== null) warn(troubleOf(error));
  }
};
