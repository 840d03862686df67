// ------------------------------------------------ choosing: what is on the bench, or where a recording belongs
// Conventions: a draft holds what is chosen; every choice draws the form anew from it. Nothing has to be typed:
// a new instrument and a new stage have names to pick from, and a field for another name.

const SHOWN = 5;
const MOST_WORKED_ON = 2;
const MOST_STEPS = 30;
const OTHER = "\u0000other";
const NEW_STAGE = "\u0000new stage";
const AIMS = ["along", "across", "twist"];
const WORK = ["voicing", "joined", "thinned", "bars-fitted", "closed", "strung"];
const HELD = {
  free: "free, on soft foam", rim: "held at the rim", clamped: "clamped", closed: "closed box",
  covered: "closed box, opening covered", strung: "strung",
};
const KINDS = { tap: "taps", pluck: "plucked strings", room: "the empty room" };

/** Return the first name with a number that is not taken: instrument-1, spot-2. */
const nextName = (stem, taken) => {
  const names = new Set(taken.map((each) => each.toLowerCase()));
  let n = 1;
  while (names.has(`${stem}${n}`)) n += 1;
  return `${stem}${n}`;
};

/** Return names for a stage that follows those there are: the next number, and a kind of work. */
const newStages = (stages) => {
  const numbers = stages.map((each) => Number.parseInt(each, 10)).filter((n) => n >= 0);
  const next = String(Math.max(0, ...numbers) + 1).padStart(2, "0");
  return WORK.map((work) => `${next}-${work}`);
};

const pick = (words, among) => words.find((word) => among.includes(word)) ?? "";

/** Make a draft from a destination; words that no list of the form has are kept as they are. */
const draftOf = (d, state) => {
  const words = d?.words ?? [];
  const draft = {
    instrument: d?.instrument ?? "", stage: d?.stage ?? "", on: [...(d?.on ?? [])], step: d?.step ?? 0,
    part: pick(words, state.parts), held: pick(words, state.states), kind: pick(words, state.kinds),
    aim: pick(words, AIMS),
    point: words.find((word) => word.startsWith("at-")) ?? "",
    spot: words.find((word) => word.startsWith("spot-")) ?? "",
    series: isSeries({ words, step: d?.step }), again: words.includes("again"),
    typed: { instrument: "", stage: "", point: "", spot: "" }, all: {}, newStage: false,
  };
  const known = new Set([draft.part, draft.held, draft.kind, draft.aim, draft.point, draft.spot, "step", "again"]);
  draft.rest = words.filter((word) => !known.has(word));
  return draft;
};

/** Return what was last said of a stage's recordings, as a piece of a draft; nothing of another instrument. */
const lastSaid = (state, instrument, stage) => {
  const told = [...(state.steps ?? []), ...state.last.map((each) => each.destination)].filter(Boolean);
  const name = (d) => `${d.instrument}/${d.stage}`.toLowerCase();
  const same = told.find((d) => name(d) === name({ instrument, stage }));
  const { part, held, kind, aim, point, spot, series, rest } = draftOf(same, state);
  const kept = rest.filter((word) => word !== "resets");
  return { part, held, kind, aim, point, spot, series, rest: kept, again: false, step: 0 };
};

const withPrefix = (prefix, text) => (text && !text.startsWith(prefix) ? prefix + text : text);

/** Return the destination that a draft means. */
const destinationOf = (draft) => {
  const given = (name) => (draft[name] === OTHER ? draft.typed[name].trim() : draft[name]);
  const words = [
    draft.part, draft.held, draft.kind === "tap" ? "" : draft.kind, draft.part === "blank" ? draft.aim : "",
    withPrefix("at-", given("point")), withPrefix("spot-", given("spot")),
    ...draft.rest, draft.series ? "step" : "", draft.again ? "again" : "",
  ];
  return {
    instrument: given("instrument"), stage: given("stage"), words: words.filter(Boolean),
    step: draft.series ? draft.step : 0, on: draft.on,
  };
};

/** Make a group of big buttons of which one is pressed. */
const radios = (legend, name, options, value, onpick) => make("fieldset", {},
  make("legend", {}, legend),
  ...options.map(({ is, text, detail }) => make("label", { class: "choice" },
    make("input", {
      type: "radio", name, value: is, checked: is === value, "data-spot": `${name} ${is}`, onchange: () => onpick(is),
    }),
    make("span", {}, text, detail ? make("small", {}, detail) : null),
  )),
);

const checkbox = (text, detail, checked, onpick, attributes = {}) => make("label", { class: "choice" },
  make("input", { type: "checkbox", checked, onchange: (event) => onpick(event.target.checked), ...attributes }),
  make("span", {}, text, detail ? make("small", {}, detail) : null),
);

const listField = (label, name, options, value, onpick) => make("label", { class: "list" },
  make("span", {}, label),
  make("select", { "data-spot": name, onchange: (event) => onpick(event.target.value) },
    ...options.map(([is, text]) => make("option", { value: is, selected: is === value }, text))),
);

const typedField = (label, draft, name, placeholder) => make("label", { class: "list" },
  make("span", {}, label),
  make("input", {
    type: "text", "data-spot": `typed ${name}`, value: draft.typed[name], autocapitalize: "none", autocomplete: "off",
    spellcheck: "false", placeholder, maxlength: 40, oninput: (event) => { draft.typed[name] = event.target.value; },
  }),
);

const plain = (name) => ({ is: name, text: name });

class Chooser {
  constructor(state, from, { title, done, use, giving }) {
    Object.assign(this, { state, title, done, use, giving, draft: draftOf(from, state), slip: null, trouble: "" });
    this.dialog = here("chooser");
    this.result = null;
  }

  /** Show the form; return what `use` gave, or null where the maker went back. */
  async open() {
    this.dialog.replaceChildren();
    this.draw();
    await showDialog(this.dialog);
    return this.result;
  }

  set(changes) {
    Object.assign(this.draft, changes);
    this.slip = null;
    this.trouble = "";
    this.draw();
  }

  draw() {
    const scrolled = this.dialog.firstElementChild?.scrollTop ?? 0;
    const groups = [
      ...this.instrumentGroup(), ...this.stageGroup(), this.seriesGroup(), ...this.workedOn(), this.lists(),
    ].filter(Boolean);
    fill(this.dialog,
      make("div", { class: "form" }, make("h2", { id: "chooser-title" }, this.title), ...groups), this.foot());
    this.dialog.firstElementChild.scrollTop = scrolled;
  }

  get known() {
    return this.state.instruments.find((each) => each.name === this.draft.instrument);
  }

  /** Return the first few names, or all once asked, with a button for the others. */
  few(names, kind) {
    const chosen = names.indexOf(this.draft[kind]);
    if (this.draft.all[kind] || names.length <= SHOWN || chosen >= SHOWN) return [names, null];
    const more = button(`${names.length - SHOWN} more`, () => this.set({ all: { ...this.draft.all, [kind]: true } }),
      { "data-spot": `more ${kind}` });
    return [names.slice(0, SHOWN), more];
  }

  instrumentGroup() {
    const { draft } = this;
    const names = this.state.instruments.map((each) => each.name);
    const fresh = nextName("instrument-", names);
    const kept = ["", OTHER, fresh].includes(draft.instrument) ? [] : [draft.instrument];
    const [shown, more] = this.few([...new Set([...names, ...kept])], "instrument");
    draft.instrument ||= shown[0] ?? fresh;
    const options = [
      ...shown.map(plain), { is: fresh, text: fresh, detail: "a new instrument" },
      { is: OTHER, text: "another name" },
    ];
    const picked = (instrument) => {
      const [stage = ""] = this.state.instruments.find((each) => each.name === instrument)?.stages ?? [];
      this.set({ ...lastSaid(this.state, instrument, stage), instrument, stage, newStage: false, on: [] });
    };
    const typed = () => typedField("Name of the instrument", draft, "instrument", "cittern-12");
    const group = radios("Instrument", "instrument", options, draft.instrument, picked);
    return [group, more, draft.instrument === OTHER ? typed() : null];
  }

  stageGroup() {
    const { draft } = this;
    const stages = this.known?.stages ?? [];
    const fresh = newStages(stages);
    const isFresh = fresh.includes(draft.stage) || draft.stage === OTHER;
    const kept = draft.stage && !isFresh && !stages.includes(draft.stage) ? [draft.stage] : [];
    const [shown, more] = this.few([...new Set([...kept, ...stages])], "stage");
    if (isFresh || !shown.length) draft.newStage = true;
    draft.stage ||= shown[0] ?? fresh[0];
    const picked = (is) => {
      const stage = is === NEW_STAGE ? fresh[0] : is;
      // A stage that is new begins with what was said of the one before.
      const said = stages.includes(stage) ? lastSaid(this.state, draft.instrument, stage) : { step: 0 };
      this.set({ ...said, stage, newStage: fresh.includes(stage) || stage === OTHER });
    };
    const groups = [];
    if (shown.length) {
      const options = [...shown.map(plain), { is: NEW_STAGE, text: "a new stage" }];
      groups.push(radios("Stage", "stage", options, draft.newStage ? NEW_STAGE : draft.stage, picked), more);
    }
    if (draft.newStage) {
      const options = [...fresh.map(plain), { is: OTHER, text: "another name" }];
      groups.push(radios("New stage", "new stage", options, draft.stage, picked));
    }
    if (draft.stage === OTHER) groups.push(typedField("Name of the stage", draft, "stage", fresh[0]));
    return groups;
  }

  seriesGroup() {
    const { draft } = this;
    const group = make("fieldset", {}, make("legend", {}, "How you record"),
      checkbox("step", "cut a little, tap, cut again: each cut begins a step", draft.series,
        (series) => this.set({ series }), { "data-spot": "step" }),
      checkbox("again", "nothing was cut, all was set up anew", draft.again,
        (again) => this.set({ again }), { "data-spot": "again" }));
    if (this.giving && draft.series) {
      const steps = Array.from({ length: MOST_STEPS }, (_, n) => [String(n + 1), `step ${n + 1}`]);
      group.append(listField("Which step", "which step", [["0", "the present one"], ...steps], String(draft.step),
        (step) => this.set({ step: Number(step) })));
    }
    return group;
  }

  workedOn() {
    const { draft } = this;
    const labels = [...new Set([...(this.known?.labels ?? []), ...draft.on])];
    if (!labels.length) return [];
    const full = draft.on.length >= MOST_WORKED_ON;
    const without = (label) => draft.on.filter((each) => each !== label);
    const picked = (label, on) => this.set({ on: on ? [...draft.on, label] : without(label) });
    return [make("fieldset", {}, make("legend", {}, "What you work on, two at most"),
      ...labels.map((label) => checkbox(label, "", draft.on.includes(label), (on) => picked(label, on),
        { "data-spot": `on ${label}`, disabled: full && !draft.on.includes(label) })))];
  }

  lists() {
    const { draft, state } = this;
    const parts = this.known?.parts?.length ? [...new Set([...this.known.parts, ...state.parts])] : state.parts;
    const field = (label, name, none, known, extra = []) => listField(label, name,
      [["", none], ...known, ...extra], draft[name], (is) => this.set({ [name]: is }));
    const pairs = (names) => names.map((each) => [each, each]);
    const withOwn = (names, own) => pairs([...new Set([...names, ...(own && own !== OTHER ? [own] : [])])]);
    const another = [[OTHER, "another name"]];
    const spots = state.spots.length ? state.spots : ["spot-bench", "spot-window", "spot-door"];
    const points = [...new Set(["at-bridge", ...state.points])];
    return make("div", { class: "lists", role: "group", "aria-label": "More about the recording" },
      field("Part", "part", "not said", pairs(parts)),
      draft.part === "blank" ? field("Taps aim", "aim", "not said", pairs(AIMS)) : null,
      field("Held", "held", "not said", state.states.map((each) => [each, HELD[each] ?? each])),
      field("Point", "point", "not said", withOwn(points, draft.point), another),
      draft.point === OTHER ? typedField("Name of the point", draft, "point", "at-edge") : null,
      field("Spot", "spot", "not said", withOwn(spots, draft.spot), another),
      draft.spot === OTHER ? typedField("Name of the spot", draft, "spot", "spot-stove") : null,
      listField("What is recorded", "kind", state.kinds.map((each) => [each, KINDS[each] ?? each]),
        draft.kind || "tap", (kind) => this.set({ kind })),
    );
  }

  foot() {
    const said = this.slip ? this.slipAsked() : make("p", { class: "fault", role: "alert" }, this.trouble);
    return make("div", { class: "foot" }, this.slip || this.trouble ? said : null, make("div", { class: "answers" },
      this.slip ? null : button(this.done, () => this.finish(false), { class: "strong", "data-spot": "done" }),
      button("Back", () => closeDialog(this.dialog), { "data-spot": "back" })));
  }

  /** A name that is nearly one that is known: two buttons, one for each. */
  slipAsked() {
    const { like, which, text } = this.slip;
    return make("div", { role: "alert" }, make("p", { class: "fault" }, text), make("div", { class: "answers" },
      button(like, () => {
        this.set({ stage: "", newStage: false, [which]: like });
        if (which === "stage") this.finish(false);
      }),
      button(`It is a new ${which}`, () => this.finish(true))));
  }

  async finish(isNew) {
    const destination = destinationOf(this.draft);
    if (!destination.instrument || !destination.stage) {
      const empty = destination.instrument ? "stage" : "instrument";
      this.trouble = `the name of the ${empty} is empty; type it, or pick one`;
      this.draw();
      return;
    }
    try {
      this.result = await this.use(destination, isNew);
      closeDialog(this.dialog);
    } catch (error) {
      const like = error instanceof Refused && error.status === 409 ? error.told.like : null;
      this.slip = like ? { like, which: error.told.which, text: error.text } : null;
      this.trouble = like ? "" : troubleOf(error);
      this.draw();
    }
  }
}
