// ------------------------------------------------------------------------- the panel inside the app
// Comes after panel.js in the same module. Holds the text of the transcript, so that it is sent once, and an outbox: every
// operation stays in it, and in this tab's storage, until the server says that the journal has it. One answer is waited for
// before more is sent, since a new request would cut short the one that is being worked on.

const AGAIN = 2500;
const PATIENT = 5000;
const LOOSE = 4000;
const homes = new WeakMap();

class Home {
  constructor(component) {
    this.known = new Map();
    this.outbox = [];
    this.nonce = Date.now();
    this.isAsking = false;
    this.sent = new Set();
    this.seen = 0;
    this.timer = null;
    this.warn = (event) => {
      if (this.outbox.length && Date.now() - this.since > LOOSE) event.preventDefault();
    };
    addEventListener("beforeunload", this.warn);
    this.host = document.createElement("div");
    this.note = document.createElement("div");
    this.note.className = "wbp-panel wbp-trouble";
    this.note.setAttribute("role", "alert");
    component.parentElement.append(this.note, this.host);
  }

  receive(component) {
    const { data, setStateValue } = component;
    this.send = (value) => setStateValue("sent", value);
    if (data.face !== this.face && !data.shown) {
      if (data.face) this.ask();
      return;
    }
    if (data.face !== this.face) this.begin(data);
    for (const one of data.operations) this.known.set(one.id, one);
    this.seen = Math.max(this.seen, data.seen);
    const has = new Set([...data.stored, ...data.operations.map((one) => one.id)]);
    const refused = this.outbox.filter((one) => one.id in data.refused);
    this.outbox = this.outbox.filter((one) => !has.has(one.id) && !(one.id in data.refused));
    this.keep();
    for (const one of refused) this.known.delete(one.id);
    if (refused.length) this.drawAnew();
    this.tell(data);
    this.show(data.stored);
    if (data.goto && data.goto !== this.went) this.go(data.goto);
    if (data.nonce >= this.nonce) this.isAsking = false;
    this.sendSoon(data.trouble ? AGAIN : 0);
  }

  begin(data) {
    this.takeAway?.();
    this.face = data.face;
    this.shown = data.shown;
    this.known = new Map();
    this.seen = 0;
    this.isTakenUp = false;
    const { round, by, transcript } = data.shown;
    Object.assign(this, { study: data.study, by });
    this.place = `workbench ${data.study} ${by} ${round} ${transcript.name}`;
    this.outbox = this.read();
    for (const one of this.outbox) this.known.set(one.id, one);
    this.since = Date.now();
  }

  /** What is drawn but refused goes: the panel is built again from what the journal has and what still waits. */
  drawAnew() {
    this.takeAway?.();
    this.isTakenUp = false;
  }

  show(stored = []) {
    const waiting = new Set(this.outbox.map((one) => one.id));
    const operations = [...this.known.values()].filter((one) => !waiting.has(one.id));
    const isNew = !panels.has(this.host);
    this.takeAway = mount(this.host, { ...this.shown, operations, stored }, { onOperations: (list) => this.decided(list) });
    if (isNew) panels.get(this.host).takeKeys();
    if (waiting.size && !this.isTakenUp) this.takeUp();
  }

  /** Draw what this tab had decided before it was loaded anew and the journal does not have. */
  takeUp() {
    this.isTakenUp = true;
    const panel = panels.get(this.host);
    panel.draw(panel.ledger.take(this.outbox, false));
  }

  decided(list) {
    if (!this.outbox.length) this.since = Date.now();
    this.isTakenUp = true;
    this.outbox.push(...list);
    for (const one of list) this.known.set(one.id, one);
    this.keep();
    if (!this.isAsking) this.ask();
  }

  /** Send all that waits. */
  ask() {
    this.nonce += 1;
    this.isAsking = true;
    this.sent = new Set(this.outbox.map((one) => one.id));
    this.send({ face: this.face ?? "", seen: this.seen, operations: this.outbox, nonce: this.nonce });
    this.waitForAnswer();
  }

  /** Where no answer comes, ask for the whole page, with what was sent: a server that was started anew knows no part of it. */
  waitForAnswer() {
    clearTimeout(this.timer);
    this.timer = setTimeout(() => {
      document.querySelector(".st-key-send_again button")?.click();
      this.waitForAnswer();
    }, PATIENT);
  }

  /** Go on sending: at once what was never sent, later what was sent and is not stored. */
  sendSoon(wait) {
    if (this.isAsking) return;
    clearTimeout(this.timer);
    if (!this.outbox.length) return;
    const isNew = this.outbox.some((one) => !this.sent.has(one.id));
    if (isNew && !wait) this.ask();
    else this.timer = setTimeout(() => this.ask(), AGAIN);
  }

  tell(data) {
    const waiting = this.elsewhere();
    const words = [
      data.trouble,
      ...new Set(Object.values(data.refused).map((why) => `Not stored: ${why}`)),
      waiting.length ? `Not stored yet: ${waiting.join(", ")}. Open it, and it is sent again.` : "",
    ].filter(Boolean).join(" ");
    if (this.note.textContent !== words) this.note.textContent = words;
  }

  go(unit) {
    this.went = unit;
    const box = this.host.querySelector(`[data-unit="${CSS.escape(unit)}"]`);
    box?.dispatchEvent(new PointerEvent("pointerup", { bubbles: true }));
    box?.scrollIntoView({ block: "center" });
  }

  /** Other transcripts of this rater for which this tab still keeps work. */
  elsewhere() {
    const { study, by } = this;
    try {
      return Object.keys(sessionStorage)
        .filter((name) => name !== this.place && name.startsWith(`workbench ${study} ${by} `))
        .map((name) => name.split(" ").slice(3).reverse().join(" in "));
    } catch {
      return [];
    }
  }

  read() {
    try {
      return JSON.parse(sessionStorage.getItem(this.place)) ?? [];
    } catch {
      return [];
    }
  }

  keep() {
    try {
      if (this.outbox.length) sessionStorage.setItem(this.place, JSON.stringify(this.outbox));
      else sessionStorage.removeItem(this.place);
    } catch {
      // what cannot be kept here is still in the page, which asks before it is left
    }
  }

  leave() {
    clearTimeout(this.timer);
    removeEventListener("beforeunload", this.warn);
    this.takeAway?.();
    this.host.remove();
    this.note.remove();
  }
}

export default function inApp(component) {
  const place = component.parentElement;
  if (!homes.has(place)) homes.set(place, new Home(component));
  homes.get(place).receive(component);
  return () => {
    homes.get(place)?.leave();
    homes.delete(place);
  };
}
