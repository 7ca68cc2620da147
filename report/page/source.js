
// A file is rendered whole, in parts that the browser lays out when they come
// into view.
const PART = 150;

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
  const open = b.all.some(isOpen);
  const e = b.element = make("div", {class: "spot", role: "group", "aria-label": b.bare ? blockSaid(b) : "Line " + (b.before + 1) + ": " + plural(b.all.length, "change")});
  const changes = () => b.all.flatMap(m => news(m, 24));
  if (!b.bare) { e.append(...changes()); return e; }
  const more = make("button", {type: "button", class: "more", "aria-expanded": "false"}, "Show the changes");
  e.append(make("p", {}, blockSaid(b) + " ", make("a", {href: address({...S, at: codeOf(b.all[0]), file: "", line: ""}), "data-at": codeOf(b.all[0])}, "What to write"), more));
  more.addEventListener("click", () => {
    const shown = more.getAttribute("aria-expanded") === "true";
    more.setAttribute("aria-expanded", String(!shown));
    more.textContent = shown ? "Show the changes" : "Hide the changes";
    if (shown) while (e.childNodes.length > 1) e.lastChild.remove(); else e.append(...changes());
  });
  if (S.at && b.all.includes(find(S.at)) && b.all[0] !== find(S.at)) more.click();
  return e;
}

// sourceOf renders a file with its blocks, each behind the lines that it changes.
function sourceOf(file, blocks) {
  const all = lines(D.files[file]), counts = marks(file), after = new Map(), parts = new Map();
  for (const b of blocks) {
    if (!after.has(b.end)) after.set(b.end, []);
    after.get(b.end).push(b);
    if (b.bare) continue;
    for (const m of b.all) if (isOpen(m)) for (const l of edit(m).was) {
      if (!parts.has(l.n)) parts.set(l.n, []);
      parts.get(l.n).push([l.a, l.b]);
    }
  }
  const code = make("div", {class: "code", role: "region", "aria-label": "Source of " + D.files[file].path, tabindex: "0"});
  let part = null, rows = 0;
  const begin = () => { part = make("div", {class: "part"}); rows = 0; code.append(part); };
  const end = () => { if (part) part.style.containIntrinsicSize = "auto 40rem auto " + rows * 1.5 + "rem"; };
  const add = n => { for (const b of after.get(n) || []) { part.append(spot(b)); rows += b.all.length; } };
  begin();
  add(0);
  for (let n = 1; n <= all.length; n++) {
    if (rows >= PART) { end(); begin(); }
    part.append(sourceLine(n, all[n - 1], counts.get(n), parts.get(n), parts.has(n)));
    rows++;
    add(n);
  }
  end();
  return code;
}
