// ------------------------------------------------ the page
// Conventions: the state is what the server last said; a section is drawn anew only where what it shows has changed,
// so that nothing under a finger moves. This phone's own destination stands beside it, and everything it sends or
// begins carries it: another phone, or the terminal, may say something else meanwhile.

const LAPSE_HOURS = 4;
const NIGHT_HOUR = 4;
const FIRST_SHOWN = 3;

const page = {
  state: null, destination: null, chosen: false, said: 0, lapsed: false,
  readings: [], latest: 0, known: 0, connected: null, drawn: new Map(), asked: null, wholeList: false, report: "",
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
  Object.assign(page, { destination, chosen: true, lapsed: false, said: Date.now() });
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
  const mine = page.state.mine?.destination;
  const same = (d) => d && d.instrument === page.destination?.instrument && d.stage === page.destination.stage
    && d.words.join() === page.destination.words.join();
  if (page.chosen && same(mine) && mine.step !== page.destination.step) {
    page.destination = { ...page.destination, step: mine.step };
  }
};

// ------------------------------------------------ asking for the state
const stateQuery = () => {
  const query = new URLSearchParams();
  if (page.destination && page.chosen) {
    query.set("instrument", page.destination.instrument);
    query.set("stage", page.destination.stage);
    for (const word of page.destination.words) query.append("word", word);
  }
  return query.size ? `?${query}` : "";
};

const takeState = (state) => {
  page.state = state;
  findDestination();
  draw();
};

const refresh = async () => takeState(await ask(`/phone/state${stateQuery()}`));

const connected = (is) => {
  if (page.connected === is) return;
  page.connected = is;
  here("line").textContent = is ? "connected to the watch" : BROKEN;
  here("line").classList.toggle("fault", !is);
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

// ------------------------------------------------ on the bench
const use = async (destination, isNew) => {
  const { instrument, stage, words, on } = destination;
  const state = await post("/phone/now", { instrument, stage, words, on, new: isNew });
  const bench = destinationOfBench(state.bench);
  const isSame = bench?.instrument === instrument && bench.stage === stage;
  keepDestination(state.destination ?? (isSame ? bench : destination));
  takeState(state);
  say(`On the bench: ${placeOf(page.destination)}`);
  return page.destination;
};

const change = () => new Chooser(page.state, page.destination,
  { title: "What is on the bench?", done: "Put it on the bench", use }).open();

const drawBench = () => {
  const { destination, lapsed } = page;
  const facts = [destination, lapsed, page.state.lapses, page.chosen, page.state.bench];
  drawSection("bench", facts, () => {
    if (!destination) {
      return [make("p", { class: "place" }, "Nothing yet."),
        button("Say what is on the bench", change, { class: "strong", "data-spot": "change" })];
    }
    const working = destination.on.length ? `Worked on: ${destination.on.join(" and ")}` : null;
    const place = make("p", { class: "place" }, placeOf(destination));
    if (lapsed) {
      return [place, make("p", { class: "fault" }, "That was said hours ago. Is it still on the bench?"),
        make("div", { class: "answers" },
          button("Yes, still this", () => tryTo(() => use(destination, true)),
            { class: "strong", "data-spot": "still" }),
          button("Change", change, { "data-spot": "change" }))];
    }
    const note = page.chosen ? null : page.state.lapses;
    return [place, working ? make("p", { class: "soft" }, working) : null, note ? make("p", {}, note) : null,
      button("Change", change, { "data-spot": "change", "aria-label": "Change what is on the bench" })];
  });
};

// ------------------------------------------------ readings
const isOwn = (reading) => reading.instrument === page.destination?.instrument;

const readingText = (reading) => (reading.trouble || [
  reading.fault, reading.where, reading.since, reading.left, reading.next,
].filter(Boolean).join(". "));

const takeReadings = (readings) => {
  for (const reading of readings) page.sendings.read(reading.original);
  page.readings = [...page.readings, ...readings].slice(-20);
  const own = readings.filter((reading) => isOwn(reading) && reading.n > page.known);
  if (own.length) say(`Read: ${own.map((each) => `${each.stage}. ${readingText(each)}`).join(". ")}`);
};

const drawReading = () => {
  const own = page.readings.filter(isOwn).at(-1) ?? (page.destination ? null : page.readings.at(-1));
  const others = page.readings.slice(page.readings.lastIndexOf(own) + 1).filter((each) => !isOwn(each));
  const other = own === page.readings.at(-1) ? null : others.at(-1);
  const none = () => make("p", { class: "soft" }, "None yet. Tap five times, and send the recording.");
  const also = () => `Also read: ${other.instrument}, ${other.stage}: ${readingText(other)}`;
  drawSection("reading", [own, other], () => [
    ...(own ? readingLines(own) : [none()]), other ? make("p", { class: "soft" }, also()) : null,
  ]);
};

const readingLines = (reading) => [
  make("p", { class: "soft" }, `${reading.instrument}, ${reading.stage}`),
  reading.trouble ? make("p", { class: "fault" }, `Not read: ${reading.trouble}`) : null,
  reading.fault ? make("p", { class: "fault" }, `Fault: ${reading.fault}`) : null,
  reading.where ? make("p", { class: "where" }, reading.where) : null,
  reading.since ? make("p", { class: "line" }, reading.since) : null,
  reading.left ? make("p", { class: "line" }, reading.left) : null,
  reading.strongest ? make("p", { class: "soft" }, reading.strongest) : null,
  reading.next ? make("p", { class: "next" }, make("b", {}, "Next: "), reading.next) : null,
];

/** Wait for readings as long as the page is open; each is shown at once. Those from before are not said aloud. */
const follow = async () => {
  let wait = SOON_MS;
  for (;;) {
    try {
      if (!page.state) {
        await refresh();
        page.known = page.state.latest ?? 0;
      }
      connected(true);
      const told = await ask(`/phone/readings?after=${page.latest}`);
      // A watch that was started again counts from the beginning.
      if (told.latest < page.latest) Object.assign(page, { latest: 0, known: 0 });
      else page.latest = told.latest;
      takeReadings(told.readings);
      drawReading();
      await refresh();
      wait = SOON_MS;
    } catch (error) {
      if (key === null) return;
      connected(false);
      await pause(wait);
      wait = Math.min(2 * wait, LATEST_MS);
    }
  }
};

// ------------------------------------------------ the question after three taps
/** Tell whether a question is about this phone's instrument: another phone answers for its own. */
const isAboutOwn = (asked) => (
  asked.recording.split("/")[0].toLowerCase() === page.destination?.instrument.toLowerCase());

const drawAsked = () => {
  const asked = page.state.ask && isAboutOwn(page.state.ask) ? page.state.ask : null;
  if (page.asked?.recording !== asked?.recording) page.asked = asked ? { recording: asked.recording } : null;
  here("asked").hidden = !asked;
  drawSection("asked", [asked, page.asked, page.state.spots], () => (asked ? askedLines(asked) : []));
};

const askedLines = (asked) => {
  const told = [make("p", { class: "soft" }, asked.recording.split("/").at(-1))];
  const answer = (text, onclick) => button(text, onclick, { "data-spot": text });
  const set = (changes) => { Object.assign(page.asked, changes); drawAsked(); };
  const tell = (spot) => tryTo(async () => {
    const resets = page.asked.resets ?? false;
    takeState(await post("/phone/words", { recording: asked.recording, resets, spot }));
    say("kept");
  });
  if (asked.setups && page.asked.resets === undefined) {
    return [...told, make("p", { class: "line" }, asked.setups),
      make("p", {}, "Was everything set up anew in the pauses?"), make("p", { class: "soft" }, asked.why),
      make("div", { class: "answers" },
        answer("Yes, set up anew", () => set({ resets: true })),
        answer("No, nothing was moved", () => set({ resets: false })))];
  }
  if (!page.asked.carried) {
    return [...told, make("p", {}, "Were instrument and phone carried to another spot, a metre or more?"),
      asked.setups ? null : make("p", { class: "soft" }, asked.why),
      make("div", { class: "answers" },
        answer("Yes, to another spot", () => set({ carried: true })), answer("No, the same spot", () => tell("")))];
  }
  const spots = page.state.spots.length ? page.state.spots : ["spot-bench", "spot-window", "spot-door"];
  const fresh = nextName("spot-", spots);
  return [...told, make("p", {}, "To which spot?"),
    make("div", { class: "answers" },
      ...spots.map((spot) => answer(spot, () => tell(spot))), answer(`${fresh}, a new spot`, () => tell(fresh)),
      answer("Back", () => set({ carried: false })))];
};

// ------------------------------------------------ cutting
const cut = async () => {
  const { destination } = page;
  const next = (destination.step || 1) + 1;
  const told = `${destination.instrument}, ${destination.stage}. What you record from now on is step ${next}.`;
  const sure = await askMaker(`Begin step ${next}?`, told, [[`Yes, begin step ${next}`, true, true], ["No", false]]);
  if (!sure) return;
  await tryTo(async () => {
    const state = await post("/phone/next", { destination });
    keepDestination(state.destination ?? { ...destination, step: next });
    takeState(state);
    say(`Step ${page.destination.step} has begun`);
  });
};

const drawCut = () => {
  const { destination, lapsed, state } = page;
  const cautions = state.mine?.cautions ?? state.cautions;
  here("cut").hidden = !(isSeries(destination) && !lapsed) && !cautions.length;
  drawSection("cut", [destination, lapsed, cautions], () => [
    isSeries(destination) && !lapsed ? button("I have cut", cut, { "data-spot": "cut" }) : null,
    cautions.length ? make("p", { class: "caution" }, make("b", {}, "Take care: "), cautions.join(" ")) : null,
  ]);
};

// ------------------------------------------------ the last recordings
const give = (named) => new Chooser(page.state, page.destination, {
  title: "Where does it belong?", done: "Put it there", giving: true,
  use: async (destination, isNew) => {
    const state = await post("/phone/give", { ...named, destination, new: isNew });
    takeState(state);
    say(`Given to ${placeOf(destination)}`);
    return destination;
  },
}).open();

const takeOut = async (each) => {
  const told = `${each.original}, ${each.place}. The reading goes; the recording itself stays in the inbox.`;
  const sure = await askMaker("Take it out?", told, [["Yes, take it out", true], ["No, leave it", false]]);
  if (!sure) return;
  await tryTo(async () => {
    takeState(await post("/phone/undo", { recording: each.recording }));
    say("Taken out");
  });
};

const drawLast = () => {
  const { waiting } = page.state;
  const rest = page.wholeList ? 0 : page.state.last.length - FIRST_SHOWN;
  const last = rest > 0 ? page.state.last.slice(0, FIRST_SHOWN) : page.state.last;
  const showAll = () => {
    page.wholeList = true;
    drawLast();
  };
  drawSection("last", [last, rest, waiting], () => [
    ...(waiting.length ? [make("h3", {}, "These wait: where do they belong?"),
      make("ul", {}, ...waiting.map((each) => make("li", {}, make("b", {}, each.original),
        make("p", { class: "soft" }, each.why),
        make("div", { class: "answers" }, button("Give it a place", () => give({ original: each.original }),
          { "data-spot": `place ${each.original}`, "aria-label": `Give ${each.original} a place` })))))] : []),
    last.length ? make("ul", {}, ...last.map((each) => lastLine(each))) : make("p", { class: "soft" }, "None yet."),
    rest > 0 ? button(`${rest} more`, showAll, { "aria-label": `${rest} more recordings` }) : null,
  ]);
};

const lastLine = (each) => make("li", {},
  make("b", {}, each.place),
  make("p", { class: "soft" }, [each.original, each.taps, each.arrived].filter(Boolean).join(", ")),
  make("div", { class: "answers" },
    button("Give to another place", () => give({ recording: each.recording }),
      { "data-spot": `give ${each.recording}`, "aria-label": `Give ${each.original} to another place` }),
    button("Take out", () => takeOut(each),
      { "data-spot": `out ${each.recording}`, "aria-label": `Take out ${each.original}` })));

// ------------------------------------------------ the report
const NOT_DRAWN = "The report is not drawn yet. The watch draws it when nothing has arrived for a while.";

const fetchReport = (instrument) => tryTo(async () => {
  const path = `/phone/file/${encodeURIComponent(instrument)}/report.pdf`;
  const answer = await fetch(path, { headers: { "Tapbatch-Key": key ?? "" }, cache: "no-store" });
  if (!answer.ok) {
    const told = await answer.json().catch(() => null);
    if (answer.status === 404) warn(NOT_DRAWN);
    else warn(refusedBy(answer.status, told).text);
    return;
  }
  const pdf = new Blob([await answer.blob()], { type: "application/pdf" });
  if (page.report) URL.revokeObjectURL(page.report);
  page.report = URL.createObjectURL(pdf);
  const link = make("a", {
    href: page.report, target: "_blank", rel: "noopener", class: "button strong", id: "report-link",
  }, `Open the report of ${instrument} (PDF)`);
  here("reports").querySelector(":scope > div").append(link);
  link.focus();
  link.click();
});

const drawReports = () => {
  const instrument = page.destination?.instrument;
  const there = instrument && (page.state.reports?.includes(instrument) ?? page.readings.some(isOwn));
  here("reports").hidden = !there;
  // What is fetched is as old as the last reading.
  const anew = () => {
    page.drawn.delete("reports");
    drawReports();
    fetchReport(instrument);
  };
  drawSection("reports", [there && instrument, page.readings.filter(isOwn).at(-1)?.n], () => (
    there ? [button(`Fetch the report of ${instrument}`, anew, { "data-spot": "report" })] : []));
};

// ------------------------------------------------ all of it
const drawSend = () => {
  const { destination, lapsed, state } = page;
  const may = Boolean(destination) && !lapsed;
  for (const field of document.querySelectorAll("#send .field")) field.classList.toggle("off", !may);
  here("files").disabled = here("recorder").disabled = !may;
  here("room").textContent = state.full || (may ? "" : "First say what is on the bench.");
  here("room").className = state.full ? "fault" : "soft";
};

const draw = () => {
  here("shop").textContent = page.state.shop;
  document.title = `${page.state.shop}: at the bench`;
  here("all").hidden = false;
  for (const each of [drawBench, drawReading, drawAsked, drawSend, drawCut, drawLast, drawReports]) each();
  page.notes.follow(page.destination);
};

const sendChosen = (field) => {
  const files = [...field.files];
  field.value = "";
  if (!files.length || !page.destination) return;
  warn("");
  keepDestination(page.destination);
  page.sendings.take(files, { ...page.destination });
};

const begin = () => {
  if (!takeKey()) {
    lock(NO_KEY);
    return;
  }
  page.sendings = new Sendings((sending) => say(`${sending.name} has arrived`));
  page.notes = new Notes();
  for (const name of ["files", "recorder"]) {
    here(name).addEventListener("change", (event) => sendChosen(event.target));
  }
  // Only there does the field open a recorder of sound, and not a camera or the list of files once more.
  here("recorder").parentElement.hidden = !/Android/.test(navigator.userAgent);
  here("warned").lastElementChild.addEventListener("click", () => warn(""));
  addEventListener("online", () => page.sendings.run());
  addEventListener("hashchange", () => { if (takeKey()) location.reload(); });
  page.sendings.draw();
  follow();
};

begin();
