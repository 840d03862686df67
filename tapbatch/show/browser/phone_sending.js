// ------------------------------------------------ sending recordings
// Conventions: one file after another, in pieces; the server says how much it has, and after a break sending goes on
// from there. What has not arrived is remembered, so that a page that was loaded again can say so and go on once the
// same file is chosen. Every file carries the destination that it had when it was chosen.

const PIECE_BYTES = 1 << 20;
const CHECKED_BYTES = 1 << 16;
const STILL_MS = 20000;
const UNENDED = "tapbatch-sendings";
const PASSING = new Set([408, 425, 429, 500, 502, 503, 504]);
const MOST_BEGINNINGS = 3;

/** The file can no longer be read from the phone: it was moved, or its app took it back. */
class Unreadable extends Error {}

/** Return a checksum (FNV-1a) of the size, the beginning and the end of a file: another take of that size differs. */
const printOf = async (file) => {
  let sum = 0x811c9dc5;
  const ends = [file.slice(0, CHECKED_BYTES), file.slice(-CHECKED_BYTES)];
  for (const piece of ends) {
    const bytes = new Uint8Array(await piece.arrayBuffer());
    for (const byte of bytes) sum = Math.imul(sum ^ byte, 0x01000193);
  }
  return `${file.size}-${sum >>> 0}`;
};

/** Send one piece; `told` hears how many of its bytes have gone. */
const putPiece = (path, bytes, told) => new Promise((done, fail) => {
  const request = new XMLHttpRequest();
  let timer = 0;
  const stir = () => {
    clearTimeout(timer);
    timer = setTimeout(() => request.abort(), STILL_MS);
  };
  const broken = () => {
    clearTimeout(timer);
    fail(new TypeError("the connection broke"));
  };
  request.open("PUT", path);
  request.setRequestHeader("Tapbatch-Key", key ?? "");
  request.setRequestHeader("Content-Type", "application/octet-stream");
  request.upload.addEventListener("progress", (event) => {
    stir();
    told(event.loaded);
  });
  request.addEventListener("error", broken);
  request.addEventListener("abort", broken);
  request.addEventListener("load", () => {
    clearTimeout(timer);
    let answer = null;
    try {
      answer = JSON.parse(request.responseText);
    } catch { /* no answer in words */ }
    if (request.status >= 200 && request.status < 300 && answer) done(answer);
    else fail(refusedBy(request.status, answer));
  });
  stir();
  request.send(bytes);
});

class Sendings {
  constructor(arrived) {
    this.arrived = arrived;
    this.all = [];
    this.number = 0;
    this.busy = false;
    for (const each of recall(always, UNENDED) ?? []) this.add({ ...each, state: "lost" });
  }

  add(sending) {
    this.number += 1;
    const added = { offset: 0, sent: 0, id: "", beginnings: 0, trouble: "", ...sending, number: this.number };
    added.sent = added.offset;
    this.all.push(added);
    return added;
  }

  /** Take files to be sent to a destination; one that broke off before goes on where it stopped. */
  async take(files, destination) {
    for (const file of files) {
      const { name, size, lastModified: time } = file;
      // What cannot be read is found out when it is sent.
      const print = await printOf(file).catch(() => "");
      const before = this.all.find((each) => each.state === "lost" && print && each.print === print);
      if (before) Object.assign(before, { file, state: "waits", trouble: "" });
      else this.add({ file, name, size, time, print, destination, state: "waits" });
    }
    this.keep();
    this.draw();
    this.run();
  }

  /** Ask how far those are that broke off: one may have arrived whole, and its answer been lost. */
  async lookAtLost() {
    for (const sending of this.all.filter((each) => each.state === "lost" && each.id)) {
      try {
        const told = await ask(`/phone/uploads/${sending.id}`);
        if (sending.state !== "lost") continue;
        if (told.done) this.all = this.all.filter((each) => each !== sending);
        else Object.assign(sending, { offset: told.offset, sent: told.offset });
      } catch (error) {
        if (!(error instanceof Refused) || error.status !== 404 || sending.state !== "lost") continue;
        Object.assign(sending, { id: "", offset: 0, sent: 0 });
      }
    }
    this.keep();
    this.draw();
  }

  /** Remember what has not arrived. */
  keep() {
    const unended = this.all.filter((each) => ["waits", "sends", "lost"].includes(each.state))
      .map(({ name, size, time, print, destination, id, offset }) => (
        { name, size, time, print, destination, id, offset }));
    remember(always, UNENDED, unended.length ? unended : null);
  }

  async run() {
    if (this.busy) return;
    this.busy = true;
    try {
      for (;;) {
        const next = this.all.find((each) => each.state === "waits");
        if (!next || key === null) return;
        await this.send(next);
        this.keep();
        this.draw();
      }
    } finally {
      this.busy = false;
    }
  }

  async send(sending) {
    sending.state = "sends";
    let wait = SOON_MS;
    while (sending.state === "sends") {
      const before = sending.offset;
      try {
        await this.goOn(sending);
      } catch (error) {
        if (!this.survives(sending, error)) return;
        if (sending.offset > before) wait = SOON_MS;
        sending.trouble = "no connection; it goes on by itself";
        this.draw();
        if (!(error instanceof Refused && [404, 409].includes(error.status))) await pause(wait);
        wait = Math.min(2 * wait, LATEST_MS);
      }
    }
  }

  /** Tell whether sending goes on after an error; if not, say why. */
  survives(sending, error) {
    if (sending.state !== "sends") return false;
    if (error instanceof Unreadable) {
      sending.state = "refused";
      sending.trouble = "the phone can no longer read this file; choose it again";
      return false;
    }
    if (!(error instanceof Refused) || PASSING.has(error.status)) return true;
    if (error.status === 401) {
      sending.state = "waits";
      return false;
    }
    if (error.status === 409 && Number.isInteger(error.told.offset)) {
      sending.offset = error.told.offset;
      return true;
    }
    if (error.status === 404 && sending.id && sending.beginnings < MOST_BEGINNINGS) {
      // The server let go of what it had: from the beginning.
      Object.assign(sending, { id: "", offset: 0, sent: 0 });
      return true;
    }
    Object.assign(sending, { state: "refused", trouble: error.text, id: "", offset: 0, sent: 0 });
    say(`${sending.name} was not taken: ${error.text}`);
    return false;
  }

  /** Send until all has arrived; whatever breaks off throws. */
  async goOn(sending) {
    if (sending.id) this.heard(sending, await ask(`/phone/uploads/${sending.id}`));
    else {
      sending.beginnings += 1;
      const { name, size, destination, time } = sending;
      const when = time > 0 && time <= Date.now() ? new Date(time).toISOString() : null;
      const begun = await post("/phone/uploads", { name, size, recorded_at: when, destination });
      if (sending.state !== "sends") this.leave(begun.id);
      else Object.assign(sending, { id: begun.id, offset: begun.offset ?? 0 });
    }
    this.keep();
    while (sending.state === "sends") {
      const piece = sending.file.slice(sending.offset, sending.offset + PIECE_BYTES);
      const bytes = await piece.arrayBuffer().catch(() => { throw new Unreadable(); });
      const path = `/phone/uploads/${sending.id}?from=${sending.offset}`;
      const answer = await putPiece(path, bytes, (gone) => {
        sending.sent = sending.offset + Math.min(gone, bytes.byteLength);
        sending.trouble = "";
        this.drawProgress(sending);
      });
      this.heard(sending, answer);
      this.keep();
    }
  }

  heard(sending, answer) {
    if (sending.state !== "sends") return;
    Object.assign(sending, { offset: answer.offset, sent: answer.offset, trouble: "" });
    if (answer.done) {
      const { original, note } = answer;
      Object.assign(sending, { state: "arrived", original, note, file: null, sent: sending.size });
      this.arrived(sending);
    }
    this.draw();
  }

  /** What was read needs no line any more: its reading stands above. */
  read(original) {
    const before = this.all.length;
    this.all = this.all.filter((each) => !(each.state === "arrived" && each.original === original));
    if (this.all.length !== before) this.draw();
  }

  retry(sending) {
    Object.assign(sending, { state: "waits", trouble: "", beginnings: 0 });
    this.keep();
    this.draw();
    this.run();
  }

  drop(sending) {
    if (sending.id && sending.state !== "arrived") this.leave(sending.id);
    sending.state = "dropped";
    this.all = this.all.filter((each) => each !== sending);
    this.keep();
    this.draw();
    here("files").focus();
  }

  /** Tell the server that nothing more comes of it; it would find out by itself after a day. */
  leave(id) {
    ask(`/phone/uploads/${id}`, { method: "DELETE" }).catch(() => {});
  }

  // ---------------------------------------------- on the page
  textOf(sending) {
    const part = `${percentOf(sending)} %`;
    const broken = sending.trouble ? `: ${sending.trouble}` : "";
    return {
      waits: "waits for its turn",
      sends: `sending, ${part}${broken}`,
      arrived: sending.note || "arrived; reading it",
      lost: `broke off at ${part}; choose the same file again and it goes on from there`,
      refused: `not sent: ${sending.trouble}`,
    }[sending.state];
  }

  draw() {
    fill(here("sendings"), ...this.all.map((sending) => this.line(sending)));
  }

  line(sending) {
    const { state, number, name } = sending;
    const first = state === "refused" && sending.file;
    const buttons = [
      first ? button("Try again", () => this.retry(sending),
        { "data-spot": `try ${number}`, "aria-label": `Try ${name} again` }) : null,
      button(state === "arrived" ? "Hide" : "Drop", () => this.drop(sending),
        { "data-spot": `drop ${number}`, "aria-label": `${state === "arrived" ? "Hide" : "Drop"} ${name}` }),
    ];
    return make("li", { "data-number": number, class: ["refused", "lost"].includes(state) ? "fault" : null },
      make("b", {}, name),
      make("p", { class: "soft" }, `for ${placeOf(sending.destination)}`),
      ["sends", "waits", "lost"].includes(state)
        ? make("progress", { max: 100, value: percentOf(sending), "aria-label": `Sent of ${name}` }) : null,
      make("p", { class: "told" }, this.textOf(sending)),
      make("div", { class: "answers" }, ...buttons.filter(Boolean)));
  }

  drawProgress(sending) {
    const line = here("sendings").querySelector(`[data-number="${sending.number}"]`);
    const bar = line?.querySelector("progress");
    if (!bar) return;
    bar.value = percentOf(sending);
    line.querySelector(".told").textContent = this.textOf(sending);
  }
}

/** Return how much has been sent, in per cent; a hundred only once all has arrived. */
const percentOf = ({ sent, size, state }) => (
  state === "arrived" ? 100 : Math.min(99, Math.floor((100 * sent) / Math.max(size, 1))));
