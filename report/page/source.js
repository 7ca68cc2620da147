
// A file is shown in parts of about PART rows. Those near what is seen have lines
// in colours, marks and blocks. Of the others only the text is there, in which the
// browser finds words, at the height that they will have: what the page holds and
// what a step makes is bounded, however long the file is.
const PART = 40, BARE = 1.9; // rem, of what is said of a block that no test reaches
let view = null; // of the file that is shown
const filled = new Set(), partAt = new Map();
const seen = new IntersectionObserver(entries => {
  for (const e of entries) {
    const part = partAt.get(e.target);
    if (!part) continue; // of a file that has gone
    part.near = e.isIntersecting;
    if (!part.near && filled.has(part)) part.height = e.boundingClientRect.height + "px";
  }
  tidy();
  fillNear();
}, {rootMargin: "60% 0%", scrollMargin: "60% 0%"});

// fillNear fills a part a frame, so that none takes long: first what is in view.
let filling = 0;
function fillNear() {
  cancelAnimationFrame(filling);
  if (!view) return;
  const waiting = view.parts.filter(p => p.near && !filled.has(p));
  if (waiting.length) fill(waiting[waiting.length >> 1]);
  if (waiting.length > 1) filling = requestAnimationFrame(fillNear);
}

function fill(part) {
  if (filled.has(part)) return;
  filled.add(part);
  const rows = [];
  for (let n = part.from; n <= part.to; n++) {
    if (n) rows.push(sourceLine(n, view.all[n - 1], view.counts.get(n), view.changed.get(n), view.changed.has(n)));
    for (const b of view.after.get(n) || []) rows.push(spot(b));
  }
  part.element.classList.remove("plain");
  part.element.removeAttribute("tabindex");
  part.element.style.minHeight = "";
  part.element.replaceChildren(...rows);
}

// plain leaves the text of a part. Where it has something to choose it can be
// focused, and is filled then, so that Tab leads through the whole file.
function plain(part) {
  filled.delete(part);
  part.element.classList.add("plain");
  if (part.marked) part.element.setAttribute("tabindex", "0");
  part.element.style.minHeight = part.height;
  part.element.textContent = part.text;
}

// tidy empties the parts that are far from what is seen, but for those that the
// reader holds on to.
function tidy() {
  const selection = getSelection();
  for (const part of filled) {
    if (part.near || current && current.part === part || part.element.contains(document.activeElement) || !selection.isCollapsed && selection.containsNode(part.element, true)) continue;
    plain(part);
  }
}

function forget() { seen.disconnect(); filled.clear(); partAt.clear(); view = null; }

function fillLine(n) { const part = view.parts.find(p => p.from <= n && n <= p.to); if (part) fill(part); }

const NEWS = 24; // lines that are shown of a change

function marks(file) {
  const out = new Map();
  for (const m of byFile[file]) {
    const c = out.get(m[LINE]) || {all: 0, s: 0, u: 0};
    c.all++;
    if (statusOf(m) === "survived") c.s++;
    if (statusOf(m) === "unreached") c.u++;
    out.set(m[LINE], c);
  }
  return out;
}

// mark tells of the mutants of a line; pressed, it shows all of them.
function mark(n, c) {
  if (!c) return make("span", {class: "m"});
  const what = [c.s ? c.s + " survived" : "", c.u ? c.u + " unreached" : ""].filter(x => x).join(", ") || "none survived";
  const said = "Line " + n + ": " + plural(c.all, "mutant") + ", " + what, text = (c.s || c.u ? c.s + c.u + "/" : "") + c.all;
  return make("button", {type: "button", class: "m " + (c.s ? "s" : c.u ? "u" : ""), title: said, "aria-label": text + ". " + said, "aria-pressed": String(S.lines.split(".").includes(String(n))), "data-line": n}, text);
}

// spans paints a line with the parts underlined that changes are made to.
function spans(into, line, parts, tag) {
  let done = 0;
  for (const [a, b] of parts.sort((x, y) => x[0] - y[0])) {
    if (b <= done) continue;
    paint(into, line, done, Math.max(done, a));
    const e = make(tag, {});
    paint(e, line, Math.max(done, a), b);
    into.append(e);
    done = b;
  }
  paint(into, line, done, line.text.length);
}

function sourceLine(n, line, c, parts, was) {
  const code = make("code", {}), row = make("div", {class: was ? "l was" : "l", "data-n": n}, mark(n, c), make("span", {class: "n"}, String(n)),
    make("span", {class: "g", "aria-hidden": "true"}, was ? "−" : ""), code);
  spans(code, line, was ? parts : [], "s");
  return row;
}

// news gives the lines that a change puts in. What it leaves of the first and
// the last line has the colours that it has in the source.
function news(m, shown) {
  const e = edit(m), code = codeOf(m), quiet = !isOpen(m), word = D.status[m[STATUS]][1];
  const link = make("a", {href: address({...S, at: code, file: "", line: ""}), "data-at": code, "aria-label": "Change " + code + ", " + word}, code);
  const rows = [], all = lines(D.files[fileOf(m)]);
  const put = (first, fill, sign) => {
    const text = make("code", {});
    fill(text);
    rows.push(make("div", {class: quiet ? "now quiet" : "now"}, make("span", {class: "m"}), make("span", {class: "n"}, first ? link : ""), make("span", {class: "g", "aria-hidden": "true"}, sign),
      text, first && (quiet || m[NEW]) ? make("em", {}, [m[NEW] ? "new" : "", quiet ? word : ""].filter(x => x).join(", ")) : ""));
  };
  if (!e.now.length) put(true, into => into.append(make("em", {}, "removed")), "");
  e.now.slice(0, shown).forEach((l, i) => put(i === 0, into => {
    const head = e.was.length ? all[e.was[0].n - 1] : null, tail = e.was.length ? all[e.was[e.was.length - 1].n - 1] : null;
    const before = l.text.slice(0, l.a), rest = l.text.slice(l.b);
    if (head && head.text.startsWith(before)) paint(into, head, 0, l.a); else into.append(before);
    into.append(make("u", {}, l.text.slice(l.a, l.b)));
    if (tail && tail.text.endsWith(rest)) paint(into, tail, tail.text.length - rest.length, tail.text.length); else into.append(rest);
  }, "+"));
  if (e.now.length > shown) put(false, into => into.append(make("em", {}, "… " + plural(e.now.length - shown, "more line"))), "");
  return rows;
}

function blockSaid(b) {
  const lines = b.all.map(m => m[LINE]), first = Math.min(...lines), last = Math.max(...lines);
  return "No test runs " + (first === last ? "line " + first : "lines " + first + " to " + last) + ": " + plural(b.all.length, "mutant") + " unreached.";
}

function spot(b) {
  const e = b.element = make("div", {class: "spot" + (b.bare ? " bare" : "") + (b === current ? " here" : ""), role: "group", "aria-label": b.bare ? blockSaid(b) : "Line " + (b.before + 1) + ": " + plural(b.all.length, "change")});
  const changes = () => b.all.flatMap(m => news(m, NEWS));
  if (!b.bare) { e.append(...changes()); return e; }
  const more = make("button", {type: "button", class: "more", "aria-expanded": "false"}, "Show the changes");
  e.append(make("p", {}, blockSaid(b) + " ", make("a", {href: address({...S, at: codeOf(b.all[0]), file: "", line: ""}), "data-at": codeOf(b.all[0])}, "What to write"), more));
  more.addEventListener("click", () => {
    b.shown = !b.shown;
    unfold();
  });
  const unfold = () => {
    more.setAttribute("aria-expanded", String(b.shown));
    more.textContent = b.shown ? "Hide the changes" : "Show the changes";
    if (b.shown) e.append(...changes()); else while (e.childNodes.length > 1) e.lastChild.remove();
  };
  if (b.shown === undefined) b.shown = S.at !== "" && b.all.indexOf(find(S.at)) > 0;
  if (b.shown) unfold();
  return e;
}

// rowsOf is how many rows the changes of a block take.
function rowsOf(b) {
  let n = 0;
  for (const m of b.all) { const now = edit(m).now.length; n += Math.max(1, Math.min(now, NEWS)) + (now > NEWS ? 1 : 0); }
  return n;
}

// sourceOf renders a file with its blocks, each behind the lines that it changes.
function sourceOf(file, blocks) {
  forget();
  const all = lines(D.files[file]);
  view = {all, counts: marks(file), after: new Map(), changed: new Map(), parts: []};
  for (const b of blocks) {
    if (!view.after.has(b.end)) view.after.set(b.end, []);
    view.after.get(b.end).push(b);
    if (b.bare) continue;
    for (const m of b.all) if (isOpen(m)) for (const l of edit(m).was) {
      if (!view.changed.has(l.n)) view.changed.set(l.n, []);
      view.changed.get(l.n).push([l.a, l.b]);
    }
  }
  const code = make("div", {class: "code", role: "region", "aria-label": "Source of " + D.files[file].path, tabindex: "0"});
  cut(all);
  for (const part of view.parts) {
    partAt.set(part.element, part);
    plain(part);
    code.append(part.element);
    seen.observe(part.element);
  }
  view.parts[0].near = true; // until the browser tells
  fill(view.parts[0]);
  return code;
}

// cut makes the parts of the file that is shown, with rows for its blocks.
function cut(all) {
  let part = null, rows = PART, bare = 0;
  const end = () => { if (part) part.height = rows * 1.5 + bare * BARE + "rem"; };
  for (let n = 0; n <= all.length; n++) {
    if (rows >= PART) {
      end();
      view.parts.push(part = {element: make("div", {class: "part"}), from: n, to: n, text: "", near: false, marked: false});
      rows = bare = 0;
    }
    part.to = n;
    if (n) { part.text += all[n - 1].text + "\n"; rows++; }
    if (view.counts.has(n)) part.marked = true;
    for (const b of view.after.get(n) || []) {
      b.part = part;
      part.marked = true;
      if (b.bare) { bare++; part.text += "\n"; } else { const more = rowsOf(b); rows += more; part.text += "\n".repeat(more); }
    }
  }
  end();
  for (const p of view.parts) p.element.style.containIntrinsicSize = "auto 40rem auto " + p.height;
}
