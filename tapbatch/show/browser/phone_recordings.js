// ------------------------------------------------ readings
// What could not be read may have no instrument yet; then it is this phone's if this phone has sent it.
const isOwn = ({ instrument, original }) => (
  instrument ? instrument.toLowerCase() === page.destination?.instrument.toLowerCase() : page.sent.has(original));

const readingText = (reading) => ([
  reading.trouble, reading.fault && `Fault: ${reading.fault}`,
  reading.where, reading.since, reading.left, reading.next, ...reading.second, ...reading.more,
].filter(Boolean).join(". "));

const takeReadings = (readings) => {
  for (const reading of readings) page.sendings.read(reading.original);
  page.readings = [...page.readings, ...readings].slice(-20);
  const own = readings.filter((reading) => isOwn(reading) && reading.n > page.known);
  if (own.length) say(`Read: ${own.map((each) => `${nameOf(each)}. ${readingText(each)}`).join(". ")}`);
};

const drawReading = () => {
  const own = page.readings.filter(isOwn).at(-1) ?? (page.destination ? null : page.readings.at(-1));
  const others = page.readings.slice(page.readings.lastIndexOf(own) + 1).filter((each) => !isOwn(each));
  const other = own === page.readings.at(-1) ? null : others.at(-1);
  const none = () => make("p", { class: "soft" }, "None yet. Tap five times, and send the recording.");
  const also = () => `Also read: ${nameOf(other)}: ${readingText(other)}`;
  drawSection("reading", [own, other], () => [
    ...(own ? readingLines(own) : [none()]), other ? make("p", { class: "soft" }, also()) : null,
  ]);
};

const nameOf = (reading) => [reading.instrument, reading.stage].filter(Boolean).join(", ") || reading.original;

const readingLines = (reading) => [
  make("p", { class: "soft" }, nameOf(reading)),
  reading.trouble ? make("p", { class: "fault" }, `Not read: ${reading.trouble}`) : null,
  reading.fault ? make("p", { class: "fault" }, `Fault: ${reading.fault}`) : null,
  reading.where ? make("p", { class: "where" }, reading.where) : null,
  reading.since ? make("p", { class: "line" }, reading.since) : null,
  reading.left ? make("p", { class: "line" }, reading.left) : null,
  reading.strongest ? make("p", { class: "soft" }, reading.strongest) : null,
  reading.next ? make("p", { class: "next" }, reading.next) : null,
  // A second mode that is worked on.
  ...reading.second.map((line, n) => make("p", { class: n ? "line" : "where second" }, line)),
  // Why knocks were not used; the wood of a board.
  ...reading.more.map((line) => make("p", { class: "line" }, line)),
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
      connected();
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
      connected(troubleOf(error));
      await pause(wait);
      wait = Math.min(2 * wait, LATEST_MS);
    }
  }
};

// ------------------------------------------------ the question after three taps
/** Tell whether a question is about this phone's instrument: another phone answers for its own. */
const isAboutOwn = (asked) => (
  asked.recording.split("/")[0].toLowerCase() === page.destination?.instrument.toLowerCase());

const ANSWERED = "tapbatch-answered";

const drawAsked = () => {
  const told = page.state.ask;
  const asked = told && isAboutOwn(told) && recall(always, ANSWERED) !== told.recording ? told : null;
  const name = asked?.recording.split("/").at(-1);
  // It keeps its name where an answer gives it another place.
  if (asked && page.asked.name !== name) page.asked = { name };
  here("asked").hidden = !asked;
  drawSection("asked", [asked, page.asked, page.state.spots], () => (asked ? askedLines(asked) : []));
};

/** Keep an answer where it changes anything: then the recording has another place. */
const tellWords = (asked, resets, spot, known = {}) => tryTo(async () => {
  const isSame = resets === asked.resets && spot === asked.spot;
  const state = isSame ? page.state : await post("/phone/words", { recording: asked.recording, resets, spot });
  Object.assign(page.asked, known);
  if (known.all) remember(always, ANSWERED, isSame ? asked.recording : state.last[0]?.recording ?? null);
  if (isSame) {
    takeState(state);
    return;
  }
  takeDone(state);
  say("kept");
});

const askedButtons = (...pairs) => make("div", { class: "answers" },
  ...pairs.map(([text, onclick]) => button(text, onclick, { "data-spot": text })));

/** The set-ups first, if there were pauses; what was heard is shown once more to be sure; then the spot. */
const askedLines = (asked) => (asked.groups > 1 && !page.asked.setups ? setupLines(asked) : spotLines(asked));

const setupLines = (asked) => {
  const told = [make("p", { class: "line" }, asked.setups)];
  const why = make("p", { class: "soft" }, asked.why);
  const no = ["No, nothing was moved", () => tellWords(asked, false, asked.spot, { setups: true })];
  if (asked.resets) {
    const right = () => tellWords(asked, true, asked.spot, { setups: true });
    return [...told, why, askedButtons(["Yes, right", right], no)];
  }
  return [...told, make("p", {}, "Was everything set up anew in the pauses?"), why,
    askedButtons(["Yes, set up anew", () => tellWords(asked, true, asked.spot)], no)];
};

const spotLines = (asked) => {
  const tell = (spot) => tellWords(asked, asked.resets, spot, { all: true });
  const set = (carried) => {
    page.asked.carried = carried;
    drawAsked();
  };
  if (!page.asked.carried) {
    return [make("p", {}, "Were instrument and phone carried to another spot, a metre or more?"),
      make("p", { class: "soft" }, asked.why_spot),
      askedButtons(["Yes, to another spot", () => set(true)], ["No, the same spot", () => tell(asked.spot)])];
  }
  const { spots } = page.state;
  const fresh = nextName("spot-", spots);
  return [make("p", {}, "To which spot?"), askedButtons(...spots.map((spot) => [spot, () => tell(spot)]),
    [`${fresh}, a new spot`, () => tell(fresh)], ["Back", () => set(false)])];
};

// ------------------------------------------------ the last recordings
const give = (named, from = page.destination) => new Chooser(page.state, from, {
  title: "Where does it belong?", done: "Put it there", giving: true,
  use: async (destination, isNew) => {
    const state = await post("/phone/give", { ...named, destination, new: isNew });
    takeDone(state);
    say(`Given to ${placeOf(destination)}`);
    return destination;
  },
}).open();

const takeOut = async (each) => {
  const told = `${each.original}, ${each.place}. The reading goes; the recording itself stays in the inbox.`;
  const sure = await askMaker("Take it out?", told, [["Yes, take it out", true], ["No, leave it", false]]);
  if (!sure) return;
  await tryTo(async () => {
    takeDone(await post("/phone/undo", { recording: each.recording }));
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
    rest > 0 ? button(`${rest} more`, showAll,
      { "data-spot": "more", "aria-label": `${rest} more recordings` }) : null,
  ]);
};

const lastLine = (each) => make("li", {},
  make("b", {}, each.place),
  make("p", { class: "soft" }, [each.original, each.taps, each.arrived].filter(Boolean).join(", ")),
  make("div", { class: "answers" },
    button("Give to another place", () => give({ recording: each.recording }, each.destination),
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
  // Only what has recordings has parts.
  const there = page.state.instruments.some((each) => each.name === instrument && each.parts.length > 0);
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
