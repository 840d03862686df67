// ------------------------------------------------ on the bench
const NEW = "This stage is new.";

const use = async (destination, isNew) => {
  // A series goes on with the step that it had reached.
  const { instrument, stage, on } = destination;
  const words = [...destination.words.filter((word) => word !== "step"), ...(isSeries(destination) ? ["step"] : [])];
  const state = await post("/phone/now", { instrument, stage, words, step: 0, on, new: isNew });
  const bench = destinationOfBench(state.bench);
  const isSame = bench?.instrument === instrument && bench.stage === stage;
  keepDestination(isSame ? bench : destination);
  page.cautions = null;
  page.isNew = state.is_new;
  takeDone(state);
  say(`On the bench: ${placeOf(page.destination)}${state.is_new ? `. ${NEW}` : ""}`);
  return page.destination;
};

const change = () => new Chooser(page.state, page.destination,
  { title: "What is on the bench?", done: "Put it on the bench", use }).open();

const drawBench = () => {
  const { destination, lapsed, isNew } = page;
  const facts = [destination, lapsed, isNew, page.state.lapses, page.chosen, page.state.bench];
  drawSection("bench", facts, () => {
    if (!destination) {
      return [make("p", { class: "place" }, "Nothing yet."),
        button("Say what is on the bench", change, { class: "strong", "data-spot": "change" })];
    }
    const working = destination.on.length ? `Working on: ${destination.on.join(" and ")}` : null;
    const place = make("p", { class: "place" }, placeOf(destination));
    if (lapsed) {
      return [place, make("p", { class: "fault" }, "That was said hours ago. Is it still on the bench?"),
        make("div", { class: "answers" },
          button("Yes, still this", () => tryTo(() => use(destination, true)),
            { class: "strong", "data-spot": "still" }),
          button("Change", change, { "data-spot": "change" }))];
    }
    const note = page.chosen ? null : page.state.lapses;
    return [place, working ? make("p", { class: "soft" }, working) : null,
      isNew ? make("p", {}, NEW) : null, note ? make("p", {}, note) : null,
      button("Change", change, { "data-spot": "change", "aria-label": "Change what is on the bench" })];
  });
};

// ------------------------------------------------ cutting
const cut = async () => {
  const { destination } = page;
  const next = (destination.step || 1) + 1;
  const told = `${destination.instrument}, ${destination.stage}. What you record from now on is step ${next}.`;
  const sure = await askMaker(`Begin step ${next}?`, told, [[`Yes, begin step ${next}`, true, true], ["No", false]]);
  if (!sure) return;
  await tryTo(async () => {
    const begun = await post("/phone/next", { destination });
    keepDestination(begun.destination);
    takeDone(begun.state);
    say(`Step ${page.destination.step} has begun`);
  });
};

const drawCut = () => {
  const { destination, lapsed, state } = page;
  const cautions = page.cautions ?? state.cautions;
  here("cut").hidden = !(isSeries(destination) && !lapsed) && !cautions.length;
  drawSection("cut", [destination, lapsed, cautions], () => [
    isSeries(destination) && !lapsed ? button("I have cut", cut, { "data-spot": "cut" }) : null,
    cautions.length ? make("p", { class: "caution", role: "note" }, cautions.join(" ")) : null,
  ]);
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
  drawBench();
  page.sendings.take(files, { ...page.destination });
};

const begin = () => {
  if (!takeKey()) {
    lock(NO_KEY);
    return;
  }
  page.sendings = new Sendings((sending) => {
    page.sent.add(sending.original);
    say(sentence(`${sending.name} has arrived`, sending.note));
  });
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
  page.sendings.lookAtLost();
  follow();
};

begin();
