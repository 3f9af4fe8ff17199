"use strict";
/* Lays out what the logger sends and asks it for acts. No word, number or limit is made here. */
const $ = id => document.getElementById(id), all = s => [...document.querySelectorAll(s)];
const root = document.documentElement, body = document.body, night = matchMedia("(prefers-color-scheme: dark)");
const OLD_MS = 10000, SERIES_MS = 5000;
let S = null, source = null, heard = 0, heardAt = 0, why = "", last = "";

/* put: only what changed is touched, so that focus, a reader's place and a selection stay */
const put = (id, text) => { const e = $(id); if (e.textContent !== text) e.textContent = text; };
const el = (tag, cls, text) => { const e = document.createElement(tag); if (cls) e.className = cls; if (text !== undefined) e.textContent = text; return e; };
const seen = {};
function list(id, items, make) {
  const as = JSON.stringify(items);
  if (seen[id] === as) return;
  seen[id] = as;
  $(id).replaceChildren(...items.map(make));
}
const store = { get: k => { try { return localStorage.getItem(k); } catch { return null; } }, set: (k, v) => { try { localStorage.setItem(k, v); } catch { /* for this visit only */ } } };

/* ---- light ---- */
let light = store.get("rimelog-light") || "";
function theme(set) {
  if (set !== undefined) { light = set; store.set("rimelog-light", set); }
  root.dataset.theme = light || (night.matches ? "dark" : "light");
  all("[data-set]").forEach(b => b.setAttribute("aria-pressed", b.dataset.set === light));
  chart.draw();
}

/* ---- which of four things the page shows: wait, pair, lost, live ---- */
function now(what) {
  if (body.dataset.now === what) return;
  body.dataset.now = what;
  if (what !== "live") { $("dlg").close(); put("loud", what === "lost" ? "NOT CURRENT. " + why : ""); loud = ""; }
  if (what !== "live") document.title = (what === "lost" ? "NOT CURRENT" : "Not connected") + " · Rimelog";
  put("live", what === "live" ? "Live" : "No link");
  if (what !== "live") put("age", "");
  icon();
  chart.draw();
}
function lost(reason) {
  why = reason;
  put("lost-why", reason);
  put("lost-last", last || "none");
  if (body.dataset.now !== "pair") now("lost");
}
function icon() {
  const level = body.dataset.now === "live" ? (S && S.alarms[0] && !S.alarms[0].away ? S.alarms[0].level : "") : "lost";
  const shape = { urgent: '<path fill="#ff7a1a" stroke="#17130c" stroke-width="2" d="M1 1h14v14H1z"/><path stroke="#17130c" stroke-width="2.4" d="M4.5 4v8M8 4v8m3.5-8v8"/>', high: '<path fill="#fff" stroke="#a13f00" stroke-width="3" d="M2 2h12v12H2z"/>', lost: '<path fill="#fff" stroke="#17130c" stroke-width="2" stroke-dasharray="3 2" d="M2 2h12v12H2z"/>' }[level] || '<path fill="#17130c" d="M1 10h14v4H1z"/>';
  const href = "data:image/svg+xml," + encodeURIComponent(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 16 16">${shape}</svg>`);
  const link = document.querySelector("link[rel=icon]");
  if (link.href !== href) link.href = href;
}

/* ---- the link: what is not heard for ten seconds is not shown as now, whichever clock stood still ---- */
const age = () => Math.max(performance.now() - heard, Date.now() - heardAt);
function listen() {
  if (source) source.close();
  source = new EventSource("/live");
  source.addEventListener("state", e => { heard = performance.now(); heardAt = Date.now(); S = JSON.parse(e.data); last = S.clock; now("live"); show(); });
  source.addEventListener("not-current", e => { heard = 0; const reason = JSON.parse(e.data).why.replaceAll("`", ""); lost(reason.charAt(0).toUpperCase() + reason.slice(1) + (/[.?!]$/.test(reason) ? "" : ".")); });
  source.onerror = () => { if (source.readyState === EventSource.CLOSED) refused(); };
}
/* whether this browser is connected; what it may do is shown */
async function session() {
  const s = await (await fetch("/session")).json();
  body.dataset.role = s.role || "";
  put("role", s.says || ""); put("pair-how", s.how || "");
  $("phones").hidden = !s.local;
  return s.connected;
}
async function refused() {
  try {
    if (!await session()) { source.close(); now("pair"); return; }
  } catch { /* its program does not answer: tried again */ }
  setTimeout(listen, 2000);
}
setInterval(() => {
  if (body.dataset.now === "pair") return;
  if (age() > OLD_MS) { if (body.dataset.now !== "lost") lost("The program behind this page does not answer. Type: rimelog page"); } else put("age", Math.floor(age() / 1000) + " s old");
}, 1000);
async function begin() {
  const code = location.hash.slice(1);
  if (/^[\w-]{20,}$/.test(code)) {
    history.replaceState(null, "", "/");
    try {
      const r = await fetch("/pair", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code }) }), answer = await r.json();
      if (r.ok) store.set("rimelog-key", key = answer.key); else put("pair-why", answer.title);
    } catch { put("pair-why", "The program behind this page does not answer."); }
  }
  if (!await session().catch(() => true)) now("pair"); else { heard = performance.now(); heardAt = Date.now(); listen(); }
}
let key = store.get("rimelog-key") || "";
addEventListener("hashchange", () => { if (location.hash.length > 20) location.reload(); });

/* ---- laying out a state ---- */
let loud = "", shownStage = "";
function show() {
  document.title = S.title;
  put("who", S.job.who); put("what", S.job.what); put("full", [S.job.who, S.job.what, "job " + S.job.id].join(", ")); put("sample", S.job.sample); put("clock", S.clock);
  put("stage", S.stage.title); put("stage-time", S.stage.time);
  list("segs", S.stages.map(x => x.at), at => el("i", at));
  const at = S.stages.findIndex(x => x.at === "now");
  $("segs").setAttribute("aria-label", at < 0 ? "No stage is running" : `Stage ${at + 1} of ${S.stages.length}`);
  list("stages", S.stages, x => { const li = el("li", x.at, x.label + " "); li.append(el("small", "", x.at === "later" ? "" : x.at)); return li; });
  alarms(); number();
  list("next", S.alarms.some(a => a.new && a.active && a.level !== "low") ? [] : S.next, x => el("p", "next", x));
  $("next").classList.toggle("several", S.next.length > 1);
  const p = S.proposals[0];
  $("ask").hidden = !p;
  if (p) { put("ask-when", "Noticed " + p.when + (S.proposals.length > 1 ? `, and ${S.proposals.length - 1} more` : "")); put("ask-q", p.question); put("ask-why", p.text === p.question ? "" : p.text); }
  list("values", S.values, row); list("reading-list", S.readings, x => { const d = row(x); if (x.note) d.append(el("dd", "note", x.note)); return d; });
  put("n-alarms", S.alarms.length ? S.alarms.length + "" : "none");
  list("alarm-list", S.alarms, x => { const li = el("li", x.level); li.append(el("b", "", `${x.word}: ${x.name}`), el("span", "", x.number), el("span", "", x.do), el("small", "", [x.since && "since " + x.since, x.said].filter(Boolean).join(", "))); return li; });
  put("n-findings", S.findings.length + S.earlier.length ? S.findings.length + S.earlier.length + "" : "none yet");
  list("finding-list", [...S.findings, ...S.earlier.map(e => ({ ...e, mark: "info", verdict: "" })), ...S.notes.map(n => ({ head: "Note: " + n, mark: "info", verdict: "", text: "" }))], finding);
  put("n-devices", S.devices.every(d => d.ok) && S.store.every(d => d.ok) ? "all well" : "trouble");
  list("device-list", [...S.devices, ...S.store], d => { const li = el("li", d.ok ? "" : "high"); if (d.name) li.append(el("b", "", d.name)); li.append(el("span", "", d.text)); return li; });
  put("caution", S.caution);
  bar();
  if (shownStage !== S.stage.number + S.stage.kind) { shownStage = S.stage.number + S.stage.kind; chart.load(true); }
  icon();
}
function row(x) {
  const d = el("div", x.problem ? "unkn" : "");
  d.append(el("dt", "", x.label));
  d.append(el("dd", x.problem ? "unk" : "", x.problem ? "Unknown: " + x.problem : x.text));
  if (x.age) d.lastChild.append(" ", el("small", "", x.age));
  return d;
}
function finding(f) {
  const a = el("article", `find ${f.mark || "info"}${f.forming ? " forming" : ""}`), h = el("h2");
  if (f.forming) a.append(el("p", "kind", "Result forming"));
  if (f.verdict && f.verdict !== "INFO") h.append(el("span", "verdict", f.verdict), " ");
  h.append(f.head);
  a.append(h);
  if (f.text) a.append(el("p", "", f.text));
  if (f.check) a.append(el("p", "", "Check next: " + f.check));
  if (f.causes || f.rule) {
    const why = el("details");
    why.append(el("summary", "", "Why"), el("p", "", f.causes ? "Likely: " + f.causes : ""), el("p", "dim", f.rule ? "Rule: " + f.rule : ""));
    a.append(why);
  }
  return a;
}
function alarms() {
  const a = S.alarms[0], strip = $("alarm");
  strip.hidden = !a;
  body.classList.toggle("alarm-free", !a);
  if (!a) { loud = ""; return; }
  strip.className = `alarm if-live in ${a.level}${a.new ? "" : " known"}${a.active ? "" : " cleared"}${a.away ? " shelved" : ""}`;
  put("al-word", a.word); put("al-since", [a.since, a.said].filter(Boolean).join(", ")); put("al-name", a.name); put("al-number", a.number); put("al-do", a.do);
  put("al-more", S.alarms.length > 1 ? `and ${S.alarms.length - 1} more` : "");
  $("al-ack").hidden = !a.new;
  if (a.new && loud !== a.key) { loud = a.key; put("loud", `${a.word}: ${a.name}. ${a.do}`); }
}
let widest = { label: "", n: 0 };
function number() {
  const n = S.number;
  $("one").hidden = !n;
  if (!n) return;
  put("lbl", n.label);
  $("big").classList.toggle("unknown", !!n.problem);
  $("unk").hidden = !n.problem;
  put("unk", n.problem || "");
  put("num", n.problem ? "UNKNOWN" : n.number); put("unit", n.problem ? "" : n.unit);
  const size = n.problem ? 7 : n.number.length;
  if (widest.label !== n.label + n.unit || widest.n < size) { widest = { label: n.label + n.unit, n: size, text: n.problem ? "UNKNOWN" : n.number.replace(/\d/g, "0"), unit: n.unit || "" }; fit(); }
  const t = S.tape;
  $("tape").hidden = $("tapel").hidden = !t;
  if (!t) return;
  put("tape-l", t.left); put("tape-r", t.right);
  $("tape").setAttribute("aria-label", `${t.left}, ${t.right}`);
  const place = (cls, ends) => { const i = $("tape").querySelector("." + cls); i.hidden = !ends; if (ends) { i.style.left = ends[0] * 100 + "%"; i.style.width = (ends[1] - ends[0]) * 100 + "%"; } };
  place("fill", t.at === null ? null : [0, t.at]); place("zone", t.zone); place("band", t.band);
}
/* sized once for its digits and unit, not for its value, so it never jumps */
function fit() {
  const b = $("big"), g = document.createElement("canvas").getContext("2d"), family = getComputedStyle(b).fontFamily;
  b.style.fontSize = "";
  if (!b.clientWidth || !widest.text) return;
  const most = parseFloat(getComputedStyle(b).fontSize), rem = parseFloat(getComputedStyle(root).fontSize);
  g.font = `800 100px ${family}`;
  const digits = g.measureText(widest.text).width / 100;
  g.font = `700 100px ${family}`;
  const unit = g.measureText(widest.unit).width / 100, room = b.clientWidth - 4;
  const beside = s => s * digits * .97 + (widest.unit ? s * .14 + unit * Math.max(1.35 * rem, s * .24) : 0);
  let size = most;
  while (size > 40 && beside(size) > room) size -= 2;
  b.style.fontSize = size + "px";
}
let barAs = "";
function bar() {
  const as = (S.stage.running ? "running" : "idle") + S.begin;
  if (as === barAs) return;
  barAs = as;
  const acts = S.stage.running ? [["swap", "Swap cylinder"], ["mark", "Mark"], ["end", "End stage"]] : [["begin", "Begin stage"], ["swap", "Swap cylinder"], ["note", "Note"]];
  const next = S.stage.running ? (S.begin ? "end" : "") : S.begin ? "begin" : "";
  $("bar").replaceChildren(...acts.map(([act, text]) => { const b = el("button", act === next ? "go" : "", text); b.dataset.do = act; return b; }));
}

/* ---- acts: each answers in one line ---- */
function say(text) { put("said", text); clearTimeout(say.t); say.t = setTimeout(() => put("said", ""), 9000); }
async function act(action, sent) {
  $("dlg").close();
  try {
    const r = await fetch("/do/" + action, { method: "POST", headers: { "Content-Type": "application/json", "X-Rimelog-Key": key }, body: JSON.stringify(sent) }), answer = await r.json();
    if (r.ok) say(answer.text);
    else if (r.status === 401) now("pair");
    else if (answer.again) ask({ title: answer.title, yes: "Yes, do it", run: () => act(action, { ...sent, [answer.again]: true }) });
    else ask({ title: "Not entered", text: answer.title, no: "Close" });
  } catch { ask({ title: "Not known whether it was entered", text: "The program behind this page does not answer.", no: "Close" }); }
}
async function choices() {
  const r = await fetch("/choices");
  if (!r.ok) throw new Error();
  return r.json();
}
/* options: [label, small, run, primary]; fields: elements; yes: the button that sends, run: what it does */
function ask({ title, text = "", fields = [], options = [], yes = "", run, no = "No, go back" }) {
  put("dq", title); put("dw", text);
  $("dw").hidden = !text;
  $("dfields").replaceChildren(...fields);
  const buttons = options.map(([label, small, act, go]) => { const b = el("button", go ? "go" : "", label); b.type = "button"; if (small) b.append(el("small", "", small)); b.onclick = act; return b; });
  if (yes) { const b = el("button", "go", yes); b.type = "submit"; buttons.push(b); }
  const back = el("button", "quiet", no);
  back.type = "button"; back.onclick = () => $("dlg").close();
  $("dopts").replaceChildren(...buttons, back);
  $("df").onsubmit = e => { e.preventDefault(); if (run) run(); };
  if (!$("dlg").open) $("dlg").showModal();
  (fields.length ? $("dfields").querySelector("input,textarea,summary") : back).focus();
  $("dlg").scrollTop = 0;
}
function field(label, small, tag = "input") {
  const l = el("label", "", label), f = el(tag);
  if (small) l.append(el("small", "dim", small));
  if (tag === "input") f.maxLength = 60;
  l.append(f);
  return [l, f];
}
const ACTS = {
  async begin() {
    const { stages } = await choices();
    ask({ title: "Begin which stage?", text: S.stage.running ? `${S.stage.title} ends with it.` : "", options: stages.map(s => [s.label, "", () => beginStage(s), s.kind === S.begin]) });
  },
  end() {
    if (!S.stage.running) return say("No stage is running.");
    const next = S.stages.find(s => S.begin && s.at === "later" && s.kind === S.begin), title = S.stage.title;
    const options = [[`End ${title.toLowerCase()}`, "", () => act("stage-end", {}), true]];
    if (S.begin) options.push(["End it and begin the next", "", ACTS.begin]);
    ask({ title: `End ${title.toLowerCase()}?`, text: S.next[S.next.length - 1] || "", options });
  },
  swap: () => cylinder("Which cylinder is on the scale now?", name => ask({ title: `${name} is on the scale now?`, yes: `Yes, ${name} is on the scale`, run: () => act("cylinder", { name }) })),
  mark() {
    const [l, f] = field("Another word");
    ask({ title: "Mark which act?", fields: [l], options: S.acts.map(a => [a.text, "", () => act("mark", { act: a.act })]), yes: "Mark this word", run: () => f.value.trim() && act("mark", { act: f.value.trim() }) });
  },
  note() {
    const [l, f] = field("A note for the record", "", "textarea");
    f.maxLength = 300;
    ask({ title: "Note", fields: [l], yes: "Write it", run: () => f.value.trim() && act("note", { text: f.value.trim() }) });
  },
  ack: () => act("acknowledge", { key: "" }),
};
async function cylinder(title, chosen) {
  const { cylinders } = await choices(), [l, f] = field("Another name");
  ask({ title, fields: [l], options: cylinders.map(c => [c.name, c.note, () => chosen(c.name)]), yes: "This name", run: () => f.value.trim() && chosen(f.value.trim()) });
}
function beginStage(s) {
  const inputs = [], box = el("details"), sum = el("summary", "", "Settings");
  box.append(sum);
  s.settings.forEach(x => {
    let l, f;
    if (x.flag) { [l, f] = field(x.label, x.text); f.type = "checkbox"; l.className = "check"; }
    else if (x.words.length) { [l, f] = field(x.label, x.text, "select"); f.append(new Option("usual", ""), ...x.words.map(w => new Option(w, w))); }
    else [l, f] = field(x.label, x.text);
    inputs.push([x.name, f]);
    box.append(l);
  });
  const settings = () => Object.fromEntries(inputs.map(([n, f]) => [n, f.type === "checkbox" ? (f.checked ? "yes" : "") : f.value]).filter(([, v]) => v.trim()));
  ask({ title: `Begin ${s.label.toLowerCase()}?`, text: S.stage.running ? `${S.stage.title} ends with it.` : "", fields: s.settings.length ? [box] : [], yes: `Begin ${s.label.toLowerCase()}`, run: () => act("stage-begin", { kind: s.kind, settings: settings() }) });
}
function press(what) {
  const role = body.dataset.role;
  if (body.dataset.now !== "live" || (role !== "operate" && (role !== "acknowledge" || what !== "ack"))) return;
  menu(false);
  Promise.resolve(ACTS[what]()).catch(() => say("The logger does not answer. Nothing was entered."));
}
document.addEventListener("click", e => {
  const b = e.target.closest("button,a");
  if (!b) return;
  if (b.dataset.do) press(b.dataset.do);
  if (b.dataset.set !== undefined) theme(b.dataset.set);
  if (b.id === "al-more") $("alarms").open = true;
});
$("al-ack").onclick = () => act("acknowledge", { key: S.alarms[0].key });
$("ask-yes").onclick = () => { const p = S.proposals[0]; if (p.named) cylinder("Which cylinder is it?", name => act("yes", { n: p.n, name })); else act("yes", { n: p.n }); };
$("ask-no").onclick = () => act("no", { n: S.proposals[0].n });
$("retry").onclick = listen;
function menu(open) { $("menu").hidden = !open; $("menubtn").setAttribute("aria-expanded", open); }
$("menubtn").onclick = () => menu($("menu").hidden);
addEventListener("keydown", e => {
  if (e.key === "Escape" && !$("menu").hidden) { menu(false); $("menubtn").focus(); }
  if (e.ctrlKey || e.altKey || e.metaKey || $("dlg").open || /^(INPUT|TEXTAREA|SELECT)$/.test(e.target.tagName)) return;
  const what = { a: "ack", b: "begin", e: "end", s: "swap", m: "mark", n: "note" }[e.key];
  if (what) { e.preventDefault(); press(what); } else if (e.key === "?") menu($("menu").hidden);
});

/* ---- chart: lowest and highest of every pixel column as one stroke; a gap is what the logger sends as null ---- */
const clock = ms => new Date(ms).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit", hour12: false });
const figure = (v, step) => v >= 1e6 ? v / 1e6 + "M" : v >= 1e4 ? v / 1e3 + "k" : v.toLocaleString("en-US", { maximumFractionDigits: step ? Math.max(0, Math.ceil(-Math.log10(step) - 1e-9)) : 3 });
const chart = {
  d: null, a: 0, b: 1, at: null, whole: true, recent: false, busy: false,
  async load(anew) {
    if (body.dataset.now !== "live" || (this.busy && !anew)) return;
    this.busy = true;
    try {
      const recent = this.recent, r = await fetch("/series?span=" + (recent ? "recent" : "stage"));
      if (r.ok) { const d = await r.json(); if (recent === this.recent) this.take(d, anew); }
    } catch { /* the next one */ }
    this.busy = false;
  },
  take(d, anew) {
    const follows = !this.d || this.whole || this.b >= this.d.to - 1000, width = this.b - this.a;
    this.d = d;
    if (anew || this.whole) { this.whole = true; this.a = d.from; this.b = Math.max(d.to, d.from + 60000); if (anew) { this.at = null; put("ch-read", ""); } }
    else if (follows) { this.b = d.to; this.a = Math.max(d.from, this.b - width); }
    put("ch-title", d.title);
    list("ch-marks", d.marks, (m, i) => { const li = el("li"); li.append(el("b", "", letter(i)), m.text); return li; });
    this.label();
    this.draw();
  },
  label() {
    const n = this.d.high.length, v = n ? this.d.high[n - 1] : null;
    $("ch").setAttribute("aria-label", `${this.d.title}. From ${clock(this.d.from)} to ${clock(this.d.to)}, newest ${v === null ? "no data" : figure(v) + " " + this.d.unit}. Arrow keys read values, plus and minus zoom, 0 shows all.`);
  },
  view(a, b) {
    const { from, to } = this.d, end = Math.max(to, from + 60000), w = Math.min(end - from, Math.max(60000, b - a));
    this.a = Math.min(end - w, Math.max(from, a)); this.b = this.a + w; this.whole = w >= end - from - 1; this.draw();
  },
  scale(k, t) { if (this.d) this.view(t - (t - this.a) * k, t + (this.b - t) * k); },
  zoom(z) {
    if (z === "all" || z === "last") { this.recent = z === "last"; this.whole = true; this.load(true); return; }
    this.scale(z === "in" ? .5 : 2, this.at ?? (z === "in" ? this.b : (this.a + this.b) / 2));
  },
  time(x) { return this.a + (x - this.l) / this.w * (this.b - this.a); },
  read(t) {
    if (!this.d) return;
    this.at = Math.min(this.b, Math.max(this.a, t));
    const i = Math.floor((this.at - this.d.from) / this.d.step), lo = this.d.low[i], hi = this.d.high[i];
    const value = lo === undefined ? "nothing stored yet" : lo === null ? "no data" : (lo === hi ? figure(lo) : `${figure(lo)} to ${figure(hi)}`) + " " + this.d.unit;
    put("ch-read", `${new Date(this.at).toLocaleTimeString([], { hour12: false })}: ${value}`);
    this.draw();
  },
  draw() {
    const c = $("ch"), W = c.clientWidth, H = c.clientHeight, d = this.d;
    if (!W || !d) return;
    const dpr = devicePixelRatio || 1, g = c.getContext("2d"), cs = getComputedStyle(root), col = n => cs.getPropertyValue("--" + n).trim();
    if (c.width !== Math.round(W * dpr) || c.height !== Math.round(H * dpr)) { c.width = Math.round(W * dpr); c.height = Math.round(H * dpr); }
    g.setTransform(dpr, 0, 0, dpr, 0, 0); g.clearRect(0, 0, W, H);
    const fs = Math.min(28, parseFloat(cs.fontSize) * .8), font = w => { g.font = `${w} ${fs}px ${cs.fontFamily}`; };
    font(600);
    const [y0, y1, step] = d.axis, L = d.log ? v => Math.log10(Math.max(v, y0)) : v => v, ticks = [];
    if (d.log) for (let k = Math.round(L(y0)); k <= Math.round(L(y1)); k++) ticks.push(10 ** k);
    else for (let k = 0; y0 + k * step <= y1 + step / 1e3; k++) ticks.push(y0 + k * step);
    const l = this.l = Math.max(...ticks.map(v => g.measureText(figure(v, step)).width)) + 8, top = fs * 1.8, bot = H - fs * 1.6, w = this.w = W - l - 2;
    const Y = v => bot - (L(v) - L(y0)) / (L(y1) - L(y0)) * (bot - top), X = t => l + (t - this.a) / (this.b - this.a) * w;
    g.textBaseline = "middle"; g.lineWidth = 1;
    for (const v of ticks) { g.strokeStyle = col("hair"); g.beginPath(); g.moveTo(l, Y(v)); g.lineTo(W, Y(v)); g.stroke(); g.fillStyle = col("ink2"); g.textAlign = "right"; g.fillText(figure(v, step), l - 6, Y(v)); }
    if (d.log) { g.strokeStyle = col("line"); for (let k = Math.round(L(y0)); k < L(y1); k++) for (let m = 2; m < 10; m++) { g.beginPath(); g.moveTo(l, Y(m * 10 ** k)); g.lineTo(l + 6, Y(m * 10 ** k)); g.stroke(); } }
    const M = 60000, every = [M, 2 * M, 5 * M, 10 * M, 20 * M, 30 * M, 60 * M, 120 * M, 180 * M, 360 * M].find(s => w / ((this.b - this.a) / s) > fs * 5) || Math.ceil((this.b - this.a) / 3 / (720 * M)) * 720 * M;
    const zone = new Date(this.a).getTimezoneOffset() * M;
    g.textAlign = "center";
    for (let t = Math.ceil((this.a - zone) / every) * every + zone; t <= this.b; t += every) { const x = X(t), tw = g.measureText(clock(t)).width / 2; g.fillStyle = col("ink"); g.fillRect(x - 1, bot, 2, 6); if (x - tw > l - 10 && x + tw < W) { g.fillStyle = col("ink2"); g.fillText(clock(t), x, bot + fs * .95); } }
    g.fillStyle = col("ink"); g.fillRect(l, bot, w, 2);
    g.save(); g.beginPath(); g.rect(l, 0, w, bot); g.clip();
    const hatch = (x, wide, colour) => { if (wide <= 0) return; g.save(); g.beginPath(); g.rect(x, top, wide, bot - top); g.clip(); g.strokeStyle = colour; g.lineWidth = 1.5; g.beginPath(); for (let q = x - (bot - top); q < x + wide; q += 5) { g.moveTo(q, bot); g.lineTo(q + bot - top, top); } g.stroke(); g.restore(); };
    g.fillStyle = col("ink");
    const n = d.low.length, end = Math.min(w, Math.ceil(X(d.from + n * d.step) - l)), gaps = [];
    let wasLow = NaN, wasHigh = NaN, gap = null;
    for (let px = Math.max(0, Math.floor(X(d.from) - l)); px < end; px++) {
      const ia = Math.max(0, Math.floor((this.time(l + px) - d.from) / d.step)), ib = Math.min(n, Math.max(ia + 1, Math.floor((this.time(l + px + 1) - d.from) / d.step)));
      let lo = Infinity, hi = -Infinity;
      for (let i = ia; i < ib; i++) if (d.low[i] !== null) { if (d.low[i] < lo) lo = d.low[i]; if (d.high[i] > hi) hi = d.high[i]; }
      if (lo === Infinity) { gap ??= l + px; wasLow = wasHigh = NaN; continue; }
      if (gap !== null) { gaps.push([gap, l + px]); gap = null; }
      let a = Y(hi), b = Y(lo);
      if (wasLow === wasLow) { a = Math.min(a, wasLow); b = Math.max(b, wasHigh); }
      if (b - a < 3) { const m = (a + b) / 2; a = m - 1.5; b = m + 1.5; }
      g.fillRect(l + px, a, 1.5, b - a);
      wasLow = Y(lo); wasHigh = Y(hi);
    }
    if (gap !== null) gaps.push([gap, l + end]);
    gaps.forEach(([x, x2]) => hatch(x, Math.max(6, x2 - x), col("line")));
    if (body.dataset.now === "lost") hatch(l + end, w - end, col("line"));
    const tags = [];
    d.limits.forEach(m => { const y = Y(m.at), k = m.good ? col("act") : col("sig-txt"); g.strokeStyle = k; g.lineWidth = 3; g.setLineDash([10, 5]); g.beginPath(); g.moveTo(l, y); g.lineTo(l + w, y); g.stroke(); g.setLineDash([]); tags.push([m.text, y + (m.good && y + fs * 1.6 < bot ? fs * .95 : -fs * .95), k]); });
    font(800); g.textAlign = "right";
    tags.forEach(([text, y, k]) => { const tw = g.measureText(text).width; g.fillStyle = col("bg"); g.fillRect(l + w - tw - 8, y - fs * .65, tw + 8, fs * 1.3); g.fillStyle = k; g.fillText(text, l + w - 4, y); });
    g.restore();
    d.marks.forEach((m, i) => { if (m.t < this.a || m.t > this.b) return; const x = Math.min(W - fs, Math.max(l + fs * .7, X(m.t))); g.strokeStyle = col("ink2"); g.lineWidth = 1.5; g.setLineDash([3, 3]); g.beginPath(); g.moveTo(X(m.t), top); g.lineTo(X(m.t), bot); g.stroke(); g.setLineDash([]); g.fillStyle = col("bg"); g.fillRect(x - fs * .65, 1, fs * 1.3, fs * 1.4); g.strokeStyle = g.fillStyle = col("ink"); g.lineWidth = 2; g.strokeRect(x - fs * .65, 1, fs * 1.3, fs * 1.4); font(800); g.textAlign = "center"; g.fillText(letter(i), x, fs * .78); });
    if (this.at >= this.a && this.at <= this.b) { g.fillStyle = col("act"); g.fillRect(X(this.at) - 1.5, top, 3, bot - top); }
  },
};
const letter = i => String.fromCharCode(65 + i % 26) + (i < 26 ? "" : Math.floor(i / 26));
{
  const c = $("ch"), fingers = new Map(), x = e => e.clientX - c.getBoundingClientRect().left;
  let pinch = 0, moved = 0;
  all("[data-z]").forEach(b => { b.onclick = () => chart.zoom(b.dataset.z); });
  c.addEventListener("keydown", e => {
    const by = (chart.b - chart.a) / 20;
    if (e.key === "ArrowLeft" || e.key === "ArrowRight") chart.read((chart.at ?? chart.b) + (e.key === "ArrowLeft" ? -by : by));
    else if (e.key === "+" || e.key === "=") chart.zoom("in"); else if (e.key === "-") chart.zoom("out"); else if (e.key === "0") chart.zoom("all"); else return;
    e.preventDefault();
  });
  c.addEventListener("pointerdown", e => { fingers.set(e.pointerId, x(e)); moved = 0; c.setPointerCapture(e.pointerId); if (fingers.size === 2) { const [p, q] = fingers.values(); pinch = Math.abs(p - q); } });
  c.addEventListener("pointermove", e => {
    if (!fingers.has(e.pointerId) || !chart.d) return;
    const was = fingers.get(e.pointerId), to = x(e);
    fingers.set(e.pointerId, to); moved += Math.abs(to - was);
    if (fingers.size === 2) { const [p, q] = fingers.values(), apart = Math.max(20, Math.abs(p - q)); chart.scale(pinch / apart, chart.time((p + q) / 2)); pinch = apart; }
    else if (moved > 12) { const by = (was - to) * (chart.b - chart.a) / chart.w; chart.view(chart.a + by, chart.b + by); }
  });
  const up = e => { if (fingers.size === 1 && moved <= 12 && e.type === "pointerup") chart.read(chart.time(x(e))); fingers.delete(e.pointerId); };
  ["pointerup", "pointercancel"].forEach(n => c.addEventListener(n, up));
  c.addEventListener("wheel", e => { if (!e.ctrlKey) return; e.preventDefault(); chart.scale(e.deltaY > 0 ? 1.25 : .8, chart.time(x(e))); }, { passive: false });
  new ResizeObserver(() => { chart.draw(); fit(); const b = $("bar"); b.classList.toggle("free", b.clientHeight > innerHeight * .25); }).observe($("main"));
}
setInterval(() => { if (!document.hidden) chart.load(false); }, SERIES_MS);
night.addEventListener("change", () => theme());
theme();
begin();
