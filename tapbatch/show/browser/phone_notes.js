// ------------------------------------------------ notes of the stage
// Conventions: a field is kept when it is left, each by itself. A comma is a decimal point; thicknesses are several
// numbers with spaces between. The server puts them into notes.csv, beside whatever else stands there.

const NOTES = [
  ["work", "What was done", "text"],
  ["removed_g", "Taken off, grams", "number"],
  ["place", "Taken off where", "text"],
  ["mass_g", "Mass, grams", "number"],
  ["length_mm", "Length, mm", "number"],
  ["width_mm", "Width, mm", "number"],
  ["thickness_mm", "Thickness here and there, mm, spaces between", "numbers"],
  ["temperature_c", "Temperature, °C", "number"],
  ["humidity_pct", "Humidity, per cent", "number"],
  ["strings", "Which strings are on", "text"],
  ["string_pitch_hz", "Strings tuned to A4 = … Hz", "number"],
  ["opening_mm2", "Opening, mm²", "number"],
  ["opening_length_mm", "Opening, length or diameter, mm", "number"],
  ["opening_width_mm", "Opening, width, mm", "number"],
  ["opening_edge_mm", "Opening, thickness of its edge, mm", "number"],
  ["remark", "Remark", "text"],
];
const NUMBER = /^-?(\d+\.?\d*|\.\d+)$/;

/** Return what is typed with a decimal point, or null where a number was expected and is not there. */
const tidied = (text, kind) => {
  const told = text.trim().replace(/\s+/g, " ");
  if (kind === "text" || told === "") return told;
  const numbers = told.split(" ").map((each) => each.replace(",", ".").replace(/^\u2212/, "-"));
  const good = numbers.every((each) => NUMBER.test(each)) && (kind === "numbers" || numbers.length === 1);
  return good ? numbers.join(" ") : null;
};

class Notes {
  constructor() {
    this.shown = "";
    this.loading = "";
    here("notes").addEventListener("toggle", () => this.follow(this.destination));
  }

  /** Show the notes of a destination's stage, where they are open and not shown already. */
  async follow(destination) {
    this.destination = destination;
    if (!destination) return;
    const stage = stageOf(destination);
    const name = `${destination.instrument}, ${stage}`;
    here("notes").querySelector("h2").textContent = `Notes of ${name}`;
    if (!here("notes").open || name === this.shown || name === this.loading) return;
    this.loading = name;
    const query = new URLSearchParams({ instrument: destination.instrument, stage });
    try {
      const notes = await ask(`/phone/notes?${query}`);
      // Meanwhile another stage may have come.
      if (this.loading !== name) return;
      // What is being typed belongs to the stage before, and is kept there.
      if (here("fields").contains(document.activeElement)) document.activeElement.blur();
      this.shown = name;
      here("fields").replaceChildren(...NOTES.map((each) => this.field(each, notes, destination.instrument, stage)));
    } catch (error) {
      fill(here("fields"), make("p", { class: "fault", role: "alert" }, troubleOf(error)),
        button("Try again", () => this.follow(this.destination)));
    } finally {
      if (this.loading === name) this.loading = "";
    }
  }

  field([name, label, kind], notes, instrument, stage) {
    const told = make("span", { class: "told", role: "status", id: `told-${name}` });
    const input = make("input", {
      type: "text", id: `note-${name}`, value: notes[name] ?? "", autocomplete: "off", "aria-describedby": told.id,
      inputmode: kind === "number" ? "decimal" : "text",
    });
    let kept = input.value;
    const keep = async () => {
      const value = tidied(input.value, kind);
      const refuse = (text) => {
        told.textContent = text;
        input.setAttribute("aria-invalid", "true");
      };
      if (value === null) {
        refuse(kind === "number" ? "not kept: not a number" : "not kept: not numbers with spaces between");
        return;
      }
      if (value === kept) {
        input.removeAttribute("aria-invalid");
        return;
      }
      told.textContent = "keeping";
      try {
        const change = { instrument, stage, fields: { [name]: value }, seen: { [name]: kept } };
        const answer = await post("/phone/notes", change);
        kept = answer[name] ?? value;
        input.value = kept;
        input.removeAttribute("aria-invalid");
        told.textContent = "kept";
      } catch (error) {
        refuse(`not kept: ${troubleOf(error)}`);
      }
    };
    input.addEventListener("input", () => { told.textContent = ""; });
    input.addEventListener("change", keep);
    return make("div", { class: "note" }, make("label", { for: input.id }, label), input, told);
  }
}
