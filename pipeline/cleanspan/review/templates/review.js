"use strict";
// One page, no server: shows one item at a time, keeps marks in the browser, saves them as CSV.
const about = JSON.parse(document.getElementById("about").textContent);
const byId = (id) => document.getElementById(id);
const ALL = -1; // "all channels" in a mark
const KEPT = "cleanspan-review-" + about.page;
const GAINS = [10, 20, 30, 50, 70, 100, 150, 200, 300, 500, 700, 1000, 2000, 5000];
const SCALES = [1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000];
const LEFT = 126, RIGHT = 14, TOP = 26, BOTTOM = 30;
const NOTHING = -32768;
const SHORTEST = 0.05;

// What is kept between visits. A mark: {label, channel, from, to}, seconds from the item's onset.
let kept = { reader: "", at: 0, gain: 5, items: {}, greeted: false };
let past = [], future = [];
let row = 0, time = null, begun = null;
let chosen = null;   // span not yet labelled: {first, last, from, to}
let picked = null;   // index of the mark that was clicked
let drag = null;
let traces = null;
let canKeep = true;

// ---- what is where ------------------------------------------------------------------------
const item = () => about.items[kept.at];
const recording = () => about.recordings[item().recording];
const names = () => recording().channels;
const record = (at) => kept.items[at] ?? { marks: [], done: false };
const marks = () => record(kept.at).marks;
const slotOf = (label) => about.labels.find((one) => one.name === label).slot;
const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
const pad = (value) => String(value).padStart(2, "0");

function clock(seconds, decimals = 0) {
  const tenths = Math.round(seconds * 10 ** decimals) / 10 ** decimals;
  const whole = Math.floor(tenths);
  const rest = decimals ? (tenths - whole).toFixed(decimals).slice(1) : "";
  return `${Math.floor(whole / 3600)}:${pad(Math.floor(whole / 60) % 60)}:${pad(whole % 60)}${rest}`;
}

// ---- keeping ------------------------------------------------------------------------------
function load() {
  try {
    const text = localStorage.getItem(KEPT);
    if (text) kept = { ...kept, ...JSON.parse(text) };
    localStorage.setItem(KEPT, JSON.stringify(kept));
  } catch {
    canKeep = false;
    notice("This browser keeps no progress for this page: save your labels before you close it.");
  }
  kept.at = clamp(kept.at, 0, about.items.length - 1);
}

function keep() {
  if (!canKeep) return;
  try {
    localStorage.setItem(KEPT, JSON.stringify(kept));
  } catch {
    canKeep = false;
    notice("The browser's storage is full: save your labels before you close this page.");
  }
}

// ---- changing -----------------------------------------------------------------------------
function change(marksNow, done = record(kept.at).done) {
  const before = record(kept.at);
  past.push({ at: kept.at, before, after: { marks: marksNow, done } });
  future = [];
  kept.items[kept.at] = { marks: marksNow, done };
  picked = null;
  keep();
  show();
}

function step(from, to, key) {
  const entry = from.pop();
  if (!entry) return;
  to.push(entry);
  if (kept.at !== entry.at) go(entry.at);
  kept.items[entry.at] = entry[key];
  picked = null;
  chosen = null;
  keep();
  show();
}
const undo = () => step(past, future, "before");
const redo = () => step(future, past, "after");

const touches = (a, b) =>
  a.label === b.label && a.channel === b.channel && a.from <= b.to && b.from <= a.to;

// Adds a mark; marks of one label and channel that touch become one.
function added(list, mark) {
  const joined = list.filter((other) => touches(other, mark));
  const rest = list.filter((other) => !touches(other, mark));
  const from = Math.min(mark.from, ...joined.map((one) => one.from));
  const to = Math.max(mark.to, ...joined.map((one) => one.to));
  return [...rest, { ...mark, from, to }];
}

function apply(label, everywhere) {
  const aim = target();
  const rows = everywhere ? [ALL] : aim.rows;
  let list = marks();
  if (picked !== null && !everywhere) {
    const old = list[picked];
    list = list.filter((_, index) => index !== picked);
    if (old.label !== label) list = added(list, { ...old, label });
    change(list);
    return;
  }
  const wanted = rows.map((channel) => ({ label, channel, from: aim.from, to: aim.to }));
  const same = (a) => (b) =>
    a.label === b.label && a.channel === b.channel && a.from === b.from && a.to === b.to;
  const present = wanted.every((mark) => list.some(same(mark)));
  for (const mark of wanted) {
    list = present ? list.filter((other) => !same(mark)(other)) : added(list, mark);
  }
  chosen = null;
  begun = null;
  change(list);
}

function remove() {
  const list = marks();
  let left;
  if (picked !== null) left = list.filter((_, index) => index !== picked);
  else if (chosen) {
    left = list.filter((mark) => !(mark.from < chosen.to && mark.to > chosen.from &&
      (mark.channel === ALL || (mark.channel >= chosen.first && mark.channel <= chosen.last))));
  } else left = list.filter((mark) => mark.channel !== row);
  if (left.length !== list.length) change(left);
}

function finish() {
  change(marks(), true);
  const count = about.items.length;
  for (let ahead = 1; ahead <= count; ahead++) {
    const at = (kept.at + ahead) % count;
    if (!record(at).done) return go(at);
  }
  notice("All items are finished: save your labels.");
}

function go(at) {
  kept.at = clamp(at, 0, about.items.length - 1);
  row = clamp(row, 0, names().length - 1);
  time = begun = chosen = picked = drag = traces = null;
  keep();
  draw();
  show();
}

function target() {
  if (chosen) {
    const rows = [];
    for (let one = chosen.first; one <= chosen.last; one++) rows.push(one);
    return { rows, from: chosen.from, to: chosen.to };
  }
  return { rows: [row], from: 0, to: item().duration };
}

// ---- drawing ------------------------------------------------------------------------------
const below = byId("traces"), above = byId("marks");
const tint = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
let colours = {};

function readColours() {
  for (const name of ["page", "band", "ink", "soft", "rule", "accent"]) colours[name] = tint("--" + name);
  colours.hue = about.labels.map((label) => tint("--k" + label.slot));
  colours.letter = tint("--on-hue");
}

function fit(canvas) {
  const scale = window.devicePixelRatio || 1;
  const width = canvas.clientWidth, height = canvas.clientHeight;
  if (canvas.width !== Math.round(width * scale) || canvas.height !== Math.round(height * scale)) {
    canvas.width = Math.round(width * scale);
    canvas.height = Math.round(height * scale);
  }
  const pen = canvas.getContext("2d");
  pen.setTransform(scale, 0, 0, scale, 0, 0);
  pen.clearRect(0, 0, width, height);
  pen.font = "12.5px " + getComputedStyle(document.body).fontFamily;
  pen.textBaseline = "middle";
  return pen;
}

function layout() {
  const width = below.clientWidth, height = below.clientHeight;
  const one = item();
  const shown = one.count / one.rate;
  const perSecond = (width - LEFT - RIGHT) / shown;
  const rowHeight = (height - TOP - BOTTOM) / names().length;
  const lead = one.onset - one.from;
  return {
    width, height, rowHeight, perSecond, shown, lead,
    x: (seconds) => LEFT + (seconds + lead) * perSecond,
    seconds: (x) => clamp((x - LEFT) / perSecond - lead, 0, one.duration),
    y: (channel) => TOP + rowHeight * (channel + 0.5),
    row: (y) => clamp(Math.floor((y - TOP) / rowHeight), 0, names().length - 1),
  };
}

function unpacked(at) {
  const bytes = Uint8Array.from(atob(byId("item" + at).textContent), (sign) => sign.charCodeAt(0));
  const view = new DataView(bytes.buffer);
  const steps = new Int16Array(bytes.length / 2);
  for (let i = 0; i < steps.length; i++) steps[i] = view.getInt16(2 * i, true);
  return steps;
}

function clipped(pen, text, width) {
  if (pen.measureText(text).width <= width) return text;
  let short = text;
  while (short.length > 1 && pen.measureText(short + "…").width > width) short = short.slice(0, -1);
  return short + "…";
}

function draw() {
  const pen = fit(below), place = layout(), one = item();
  traces ??= unpacked(kept.at);
  pen.fillStyle = colours.page;
  pen.fillRect(0, 0, place.width, place.height);
  drawGround(pen, place, one);
  const perUv = place.rowHeight / GAINS[kept.gain];
  const step = place.perSecond / one.rate;
  pen.save();
  pen.beginPath();
  pen.rect(LEFT, TOP - 6, place.width - LEFT - RIGHT, place.height - TOP - BOTTOM + 12);
  pen.clip();
  pen.strokeStyle = colours.ink;
  pen.lineWidth = 1;
  pen.lineJoin = "bevel";
  for (let channel = 0; channel < names().length; channel++) {
    const middle = place.y(channel), first = channel * one.count;
    const scale = one.scale[channel] * perUv, reach = Math.max(1.6 * place.rowHeight, 50);
    let down = false;
    pen.beginPath();
    for (let i = 0; i < one.count; i++) {
      const value = traces[first + i], rise = value * scale;
      if (value === NOTHING || rise > reach || rise < -reach) { down = false; continue; }
      if (down) pen.lineTo(LEFT + i * step, middle - rise);
      else pen.moveTo(LEFT + i * step, middle - rise);
      down = true;
    }
    pen.stroke();
  }
  pen.restore();
  drawScales(pen, place);
}

function drawGround(pen, place, one) {
  const bottom = place.height - BOTTOM, right = place.width - RIGHT;
  pen.fillStyle = colours.band;
  for (let channel = 0; channel < names().length; channel += 2) {
    pen.fillRect(0, place.y(channel) - place.rowHeight / 2, place.width, place.rowHeight);
  }
  pen.strokeStyle = colours.rule;
  pen.fillStyle = colours.soft;
  pen.textAlign = "center";
  pen.beginPath();
  for (let second = 0; second <= one.duration + 1e-6; second++) {
    const x = place.x(second);
    pen.moveTo(x, TOP);
    pen.lineTo(x, bottom);
    if (second % 2 === 0 && place.perSecond * 2 > 62) {
      pen.fillText(clock(one.onset + second), clamp(x, LEFT, right - 26), TOP / 2);
    }
  }
  pen.stroke();
  // What lies before and after the item is shown for context, and set back.
  pen.fillStyle = colours.rule;
  pen.globalAlpha = 0.6;
  pen.fillRect(LEFT, TOP, Math.max(0, place.x(0) - LEFT), bottom - TOP);
  pen.fillRect(place.x(one.duration), TOP, Math.max(0, right - place.x(one.duration)), bottom - TOP);
  pen.globalAlpha = 1;
}

function drawScales(pen, place) {
  const gain = GAINS[kept.gain], y = place.height - 7, right = place.width - RIGHT;
  pen.strokeStyle = pen.fillStyle = colours.ink;
  pen.lineWidth = 2;
  const most = gain * (BOTTOM - 8) / place.rowHeight;
  const uv = SCALES.findLast((value) => value <= most) ?? SCALES[0];
  const tall = uv * place.rowHeight / gain;
  pen.beginPath();
  pen.moveTo(right - place.perSecond, y);
  pen.lineTo(right, y);
  pen.moveTo(LEFT + 6, y + 2);
  pen.lineTo(LEFT + 6, y + 2 - tall);
  pen.stroke();
  pen.textAlign = "right";
  pen.fillText("1 s", right - place.perSecond - 7, y - 3);
  pen.textAlign = "left";
  pen.fillText(`${uv} µV`, LEFT + 14, y - 5);
}

function show() {
  const pen = fit(above), place = layout(), list = marks();
  drawNames(pen, place);
  list.forEach((mark, index) => drawMark(pen, place, mark, index));
  if (chosen) drawChosen(pen, place);
  if (time !== null) {
    pen.strokeStyle = colours.accent;
    pen.lineWidth = 1.5;
    pen.beginPath();
    pen.moveTo(place.x(time), TOP);
    pen.lineTo(place.x(time), place.height - BOTTOM);
    pen.stroke();
  }
  tell();
}

function drawNames(pen, place) {
  const size = Math.min(12.5, Math.max(7, 0.95 * place.rowHeight));
  const family = getComputedStyle(document.body).fontFamily;
  names().forEach((name, channel) => {
    const here = chosen ? channel >= chosen.first && channel <= chosen.last : channel === row;
    const y = place.y(channel);
    if (here) {
      const tall = Math.min(18, place.rowHeight);
      pen.fillStyle = colours.accent;
      pen.fillRect(0, y - tall / 2, 4, tall);
    }
    pen.fillStyle = colours.ink;
    pen.textAlign = "right";
    pen.font = `${here ? 700 : 400} ${size}px ${family}`;
    pen.fillText(clipped(pen, name, LEFT - 20), LEFT - 9, y);
  });
}

function drawMark(pen, place, mark, index) {
  const isPicked = index === picked;
  const slot = slotOf(mark.label), label = about.labels[slot];
  const first = mark.channel === ALL ? 0 : mark.channel;
  const last = mark.channel === ALL ? names().length - 1 : mark.channel;
  const top = place.y(first) - place.rowHeight / 2 + 1, bottom = place.y(last) + place.rowHeight / 2 - 1;
  const left = place.x(mark.from), wide = Math.max(3, place.x(mark.to) - left);
  pen.fillStyle = pen.strokeStyle = colours.hue[slot];
  pen.globalAlpha = mark.channel === ALL ? 0.1 : 0.2;
  pen.fillRect(left, top, wide, bottom - top);
  pen.globalAlpha = 1;
  pen.lineWidth = isPicked ? 3 : 1.2;
  pen.setLineDash(isPicked ? [] : [2 + 2 * slot, 2]);
  pen.strokeRect(left, top, wide, bottom - top);
  pen.setLineDash([]);
  // Letters of marks that begin together stand side by side.
  const size = Math.min(15, place.rowHeight - 2);
  const earlier = marks().slice(0, index).filter((other) =>
    other.channel === mark.channel && Math.abs(place.x(other.from) - left) < size);
  const at = Math.min(left + earlier.length * (size + 2), place.width - RIGHT - size);
  pen.fillRect(at, top, size, size);
  pen.fillStyle = colours.letter;
  const font = pen.font;
  pen.font = `700 ${Math.round(size * 0.78)}px sans-serif`;
  pen.textAlign = "center";
  pen.fillText(label.key, at + size / 2, top + size / 2 + 0.5);
  pen.font = font;
}

function drawChosen(pen, place) {
  const top = place.y(chosen.first) - place.rowHeight / 2, left = place.x(chosen.from);
  const bottom = place.y(chosen.last) + place.rowHeight / 2, right = place.x(chosen.to);
  pen.strokeStyle = pen.fillStyle = colours.accent;
  pen.globalAlpha = 0.16;
  pen.fillRect(left, top, right - left, bottom - top);
  pen.globalAlpha = 1;
  pen.lineWidth = 2;
  pen.strokeRect(left, top, right - left, bottom - top);
}

// ---- telling ------------------------------------------------------------------------------
function tell() {
  const one = item(), count = about.items.length;
  const finished = about.items.filter((_, at) => record(at).done).length;
  byId("place").textContent = `Item ${kept.at + 1} of ${count}${record(kept.at).done ? ", finished" : ""}`;
  byId("source").textContent = `${recording().shown}, ${clock(one.onset)} to ${clock(one.onset + one.duration)}`;
  byId("source").title = byId("source").textContent;
  byId("done").textContent = `${finished} finished`;
  const aim = target();
  const from = names()[aim.rows[0]], to = names()[aim.rows[aim.rows.length - 1]];
  const where = aim.rows.length === 1 ? from : `${from} to ${to}`;
  const when = chosen ? `${aim.from.toFixed(2)} to ${aim.to.toFixed(2)} s` : "the whole item";
  const mark = picked !== null && marks()[picked];
  byId("aim").textContent = mark
    ? `this ${mark.label} again: another label, or Delete` : `${where}, ${when}`;
  byId("undo").disabled = !past.length;
  byId("redo").disabled = !future.length;
  byId("remove").disabled = !marks().length;
  byId("said").textContent = `${where}, ${when}, ${marks().length} marks on this item`;
  [...byId("strip").children].forEach((cell, at) => {
    cell.className = (record(at).done ? "done" : "") + (at === kept.at ? " now" : "");
  });
}

let noticeTimer = 0;
function notice(text) {
  byId("notice").textContent = text;
  byId("notice").hidden = false;
  clearTimeout(noticeTimer);
  noticeTimer = setTimeout(() => { byId("notice").hidden = true; redraw(); }, 8000);
  redraw();
}

// ---- saving -------------------------------------------------------------------------------
const cell = (text) => (/[",\r\n]/.test(text) ? `"${text.replaceAll('"', '""')}"` : text);
const seconds = (value) => String(Number(value.toFixed(3)));

function csv() {
  const rows = [["recording", "label", "onset_s", "duration_s", "channels", "reader", "note"]];
  about.items.forEach((one, at) => {
    const { marks: list, done } = record(at);
    if (!done) return;
    const source = about.recordings[one.recording];
    const line = (label, from, to, channels, note) => rows.push([
      source.name, label, seconds(one.onset + from), seconds(to - from), channels, kept.reader, note,
    ]);
    line("reviewed", 0, one.duration, "all", one.note);
    // Marks of one label and span are one row, their channels named together.
    const together = new Map();
    for (const mark of list) {
      const key = JSON.stringify([mark.label, mark.from, mark.to, mark.channel === ALL]);
      together.set(key, [...(together.get(key) ?? []), mark]);
    }
    for (const group of together.values()) {
      const channels = group.map((mark) => mark.channel).sort((a, b) => a - b);
      const every = channels[0] === ALL || channels.length === source.written.length;
      const named = every ? "all" : channels.map((channel) => source.written[channel]).join(" ");
      line(group[0].label, group[0].from, group[0].to, named, "");
    }
  });
  return rows.map((line) => line.map(cell).join(",")).join("\n") + "\n";
}

function save() {
  if (!kept.reader) {
    notice("Give your initials first: every label says who read it.");
    byId("reader").focus();
    return;
  }
  const finished = about.items.filter((_, at) => record(at).done).length;
  if (!finished) return notice("No item is finished yet: press Enter when you are done with one.");
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([csv()], { type: "text/csv" }));
  link.download = `labels_${about.page}_${kept.reader}.csv`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  const open = Object.values(kept.items).filter((one) => one.marks.length && !one.done).length;
  notice(`Saved ${finished} finished items.` + (open ? ` ${open} with marks are not finished and were left out.` : ""));
}

// ---- keys and pointer -----------------------------------------------------------------------
function gain(by) {
  kept.gain = clamp(kept.gain + by, 0, GAINS.length - 1);
  keep();
  draw();
}

function moveTime(by) {
  time = clamp(Math.round(((time ?? 0) + by) * 100) / 100, 0, item().duration);
  if (begun !== null) span(begun, time);
  show();
}

function span(a, b) {
  const from = Math.min(a, b), to = Math.max(a, b);
  const snapped = (value) => Math.round(value * 100) / 100;
  if (to - from >= SHORTEST) {
    chosen = { first: row, last: row, from: snapped(from), to: snapped(to) };
  }
}

const KEYS = {
  Enter: finish,
  PageUp: () => go(kept.at - 1),
  PageDown: () => go(kept.at + 1),
  Home: () => go(0),
  End: () => go(about.items.length - 1),
  ArrowUp: () => { row = clamp(row - 1, 0, names().length - 1); chosen = picked = begun = null; show(); },
  ArrowDown: () => { row = clamp(row + 1, 0, names().length - 1); chosen = picked = begun = null; show(); },
  Delete: remove,
  Backspace: remove,
  Escape: () => { chosen = picked = begun = time = null; show(); },
  "[": () => { time ??= 0; begun = time; show(); },
  "]": () => { if (begun !== null && time !== null) { span(begun, time); begun = null; show(); } },
  "+": () => gain(-1),
  "=": () => gain(-1),
  "-": () => gain(1),
  "−": () => gain(1),
  "?": () => byId("sheet").showModal(),
};

addEventListener("keydown", (event) => {
  if (byId("sheet").open || event.altKey) return;
  if (event.target === byId("reader")) {
    if (event.key === "Enter" || event.key === "Escape") above.focus();
    return;
  }
  if (event.ctrlKey || event.metaKey) {
    const key = event.key.toLowerCase();
    if (key === "z") (event.shiftKey ? redo : undo)();
    else if (key === "y") redo();
    else if (key === "s") save();
    else return;
    event.preventDefault();
    return;
  }
  if (event.target.tagName === "BUTTON" && (event.key === "Enter" || event.key === " ")) return;
  const label = about.labels.find((one) => one.key === event.key.toUpperCase());
  if (label && event.key.length === 1) {
    if (!event.repeat) apply(label.name, event.shiftKey);
  } else if (event.key === "ArrowLeft" || event.key === "ArrowRight") {
    moveTime((event.key === "ArrowLeft" ? -1 : 1) * (event.shiftKey ? 1 : 0.1));
  } else if (KEYS[event.key]) {
    if (!(event.repeat && event.key === "Enter")) KEYS[event.key]();
  } else return;
  event.preventDefault();
});

function spot(event) {
  const box = above.getBoundingClientRect(), place = layout();
  return {
    channel: place.row(event.clientY - box.top),
    at: place.seconds(event.clientX - box.left),
    inNames: event.clientX - box.left < LEFT,
    x: event.clientX,
  };
}

above.addEventListener("pointerdown", (event) => {
  if (event.button !== 0) return;
  above.focus();
  above.setPointerCapture(event.pointerId);
  drag = { ...spot(event), moved: false };
  row = drag.channel;
  chosen = picked = begun = time = null;
  show();
});

above.addEventListener("pointermove", (event) => {
  if (!drag || drag.inNames) return;
  const now = spot(event);
  drag.moved ||= Math.abs(now.x - drag.x) > 4;
  if (!drag.moved) return;
  span(drag.at, now.at);
  if (chosen) {
    chosen.first = Math.min(drag.channel, now.channel);
    chosen.last = Math.max(drag.channel, now.channel);
  }
  show();
});

above.addEventListener("pointerup", () => {
  if (drag && !drag.moved && !drag.inNames) {
    // The latest mark under the pointer; one on the channel itself before one on all.
    const hit = (own) => marks().findLastIndex((mark) =>
      mark.from <= drag.at && drag.at <= mark.to && (own ? mark.channel === row : mark.channel === ALL));
    const index = hit(true) >= 0 ? hit(true) : hit(false);
    picked = index >= 0 ? index : null;
  }
  drag = null;
  show();
});
above.addEventListener("pointercancel", () => { drag = null; chosen = null; show(); });

document.querySelector(".labels").addEventListener("click", (event) => {
  const button = event.target.closest("button");
  if (!button) return;
  apply(button.dataset.label, event.shiftKey);
  above.focus();
});
byId("strip").addEventListener("click", (event) => {
  const box = byId("strip").getBoundingClientRect();
  go(Math.floor((event.clientX - box.left) / box.width * about.items.length));
});
const press = (id, action) => byId(id).addEventListener("click", () => { action(); above.focus(); });
press("remove", remove);
press("undo", undo);
press("redo", redo);
press("smaller", () => gain(1));
press("larger", () => gain(-1));
press("back", () => go(kept.at - 1));
press("forth", () => go(kept.at + 1));
press("finish", finish);
byId("save").addEventListener("click", save);
byId("help").addEventListener("click", () => byId("sheet").showModal());
byId("sheet").addEventListener("close", () => { kept.greeted = true; keep(); above.focus(); });
byId("reader").addEventListener("input", () => {
  byId("reader").value = byId("reader").value.replace(/[^\p{L}\p{N}._-]/gu, "");
  kept.reader = byId("reader").value;
  keep();
});
addEventListener("beforeunload", (event) => {
  if (!canKeep && past.length) event.preventDefault();
});

function redraw() {
  readColours();
  draw();
  show();
}

// ---- begin ----------------------------------------------------------------------------------
if (about.items.length) {
  byId("strip").replaceChildren(...about.items.map(() => document.createElement("i")));
  readColours();
  load();
  byId("reader").value = kept.reader;
  redraw();
  new ResizeObserver(redraw).observe(byId("board"));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", redraw);
  if (!kept.greeted) byId("sheet").showModal();
  else above.focus();
}
