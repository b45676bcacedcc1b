"use strict";
const element = (id) => document.getElementById(id);
const made = (tag, className, text) => {
  const one = document.createElement(tag);
  if (className) one.className = className;
  if (text !== undefined) one.textContent = text;
  return one;
};

// Links to what is folded open it; on paper all of it is open.
const unfold = () => {
  const target = location.hash.length > 1 && element(decodeURIComponent(location.hash.slice(1)));
  const part = target && target.closest("details");
  if (part) { part.open = true; part.scrollIntoView(); }
};
addEventListener("hashchange", unfold);
document.addEventListener("click", (event) => {
  const link = event.target.closest('a[href^="#"]');
  if (link && link.hash === location.hash) unfold();
});
let unfolded = [];
addEventListener("beforeprint", () => {
  unfolded = [...document.querySelectorAll("details:not([open])")];
  unfolded.forEach((details) => { details.open = true; });
});
addEventListener("afterprint", () => unfolded.forEach((details) => { details.open = false; }));

// Glossary on the spot: a click on a term opens its meaning. Nothing of it takes a stop of the Tab key: the list of
// words at the end tells the same.
const meaning = element("meaning");
const terms = new Map();
document.querySelectorAll(".words > div").forEach((entry) => {
  const spellings = entry.dataset.spellings ?? entry.querySelector("dfn").textContent.toLowerCase();
  spellings.split("|").filter(Boolean).forEach((spelling) => terms.set(spelling, entry));
});
const pattern = new RegExp(`(?<![\\p{L}-])(${[...terms.keys()].sort((a, b) => b.length - a.length).join("|")})(?![\\p{L}-])`, "iu");
const explain = (entry) => {
  meaning.replaceChildren(made("b", "", entry.querySelector("dfn").textContent), entry.querySelector("dd").textContent);
  meaning.showPopover();
};
const mark = (block) => {
  const walker = document.createTreeWalker(block, NodeFilter.SHOW_TEXT, (node) =>
    node.parentElement.closest("svg, button, a, code, kbd, .term") ? NodeFilter.FILTER_REJECT : NodeFilter.FILTER_ACCEPT);
  const seen = new Set();
  for (let node = walker.nextNode(); node; node = walker.nextNode()) {
    const found = pattern.exec(node.data);
    const entry = found && terms.get(found[1].toLowerCase());
    if (!entry || seen.has(entry)) continue;
    seen.add(entry);
    const rest = node.splitText(found.index);
    rest.data = rest.data.slice(found[1].length);
    const term = made("span", "term", found[1]);
    term.addEventListener("click", () => explain(entry));
    rest.before(term);
    walker.currentNode = term.lastChild;
  }
};
if (meaning.showPopover) {
  document.querySelectorAll(".figures dd, .asides p").forEach(mark);
  document.querySelectorAll("details.part:not(#words)").forEach((part) => part.addEventListener("toggle", () => {
    part.querySelectorAll(".inside > p, .inside li, .inside dt, .inside dd, .inside th, .inside figcaption").forEach(mark);
  }, { once: true }));
}

const duration = (seconds) => {
  if (seconds < 99.5) return `${Math.round(seconds)} s`;
  const minutes = Math.round(seconds / 60);
  return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h${minutes % 60 ? ` ${minutes % 60} min` : ""}`;
};
const counted = (n, noun) => `${n} ${noun}${n === 1 ? "" : "s"}`;

const bench = (data) => {
  const { frames, at, span, curves, choice } = data;
  const n = frames.file.length;
  const GRADES = ["keep", "doubtful", "reject"];
  const SIGNS = ["●", "◇", "×"];
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  // What all names begin with, and their ending, are left out of the table, where there is no room for them.
  let common = n > 1 ? frames.file[0].length : 0;
  frames.file.forEach((name) => { while (!name.startsWith(frames.file[0].slice(0, common))) common -= 1; });
  while (common && /\d/.test(frames.file[0][common - 1])) common -= 1; // no number is cut in two
  const longest = Math.max(...frames.file.map((name) => name.length));
  const ending = /(\.[a-z]{2,5}){0,2}$/i.exec(frames.file[0])[0];
  const short = (row) => {
    const name = common >= 6 && longest > 20 ? `…${frames.file[row].slice(common)}` : frames.file[row];
    return frames.file.length > 1 && name.endsWith(ending) ? name.slice(0, name.length - ending.length) : name;
  };
  const rank = new Array(n);
  choice.order.forEach((row, place) => { rank[row] = place; });

  // What is to be stacked: the first so many of the order, and a person's own choices.
  let many = choice.recommended;
  const own = new Map();
  let current = Math.max(0, choice.order[0] ?? 0);
  let span_ = [current, current];
  let pinned = null;
  const isIn = (row) => own.get(row) ?? rank[row] < many;

  const remember = () => {
    // A browser may refuse to keep anything for a page on disk; choices then last as long as the page is open.
    try {
      const mine = [...own].map(([row, kept]) => [frames.file[row], kept]);
      if (mine.length || many !== choice.recommended) localStorage.setItem(data.memory, JSON.stringify({ many, mine }));
      else localStorage.removeItem(data.memory);
    } catch { /* nothing to be done */ }
  };
  const recall = () => {
    try {
      const known = JSON.parse(localStorage.getItem(data.memory)) ?? {};
      const rows = new Map(frames.file.map((file, row) => [file, row]));
      if (Number.isInteger(known.many) && known.many >= 1 && known.many <= n) many = known.many;
      (known.mine ?? []).forEach(([file, kept]) => {
        if (rows.has(file) && typeof kept === "boolean") own.set(rows.get(file), kept);
      });
    } catch { /* nothing that could be read */ }
  };

  // The night in lanes: a strip of frames above curves, all along the same hours. Drawn again at each width.
  const track = element("track");
  const NS = document.querySelector("svg").namespaceURI;
  const cursor = made("div", "cursor");
  const brush = made("div", "brush");
  const lanes = [null, ...curves].map((curve) => {
    const lane = made("div", "lane");
    const name = made("div", "lane-name");
    const value = made("b", "value");
    name.append(made("span", "", curve ? curve.title : "Frame"), value);
    if (curve && curve.good) name.append(made("small", "", curve.good));
    const svg = document.createElementNS(NS, "svg");
    svg.setAttribute("class", "lane-picture");
    svg.setAttribute("aria-hidden", "true");
    const height = curve ? 58 : 34;
    svg.style.height = `${height}px`; // before it is drawn, so that nothing below jumps
    lane.append(name, svg);
    track.append(lane);
    return { curve, svg, value, height };
  });
  const hours = document.createElementNS(NS, "svg");
  hours.setAttribute("class", "hours-axis");
  hours.setAttribute("aria-hidden", "true");
  hours.style.height = `${4 + 16 * data.clocks.length}px`;
  const hoursLane = made("div", "lane hours");
  const clocks = made("div", "lane-name");
  clocks.append(...data.clocks.map((clock) => made("small", "", clock)));
  hoursLane.append(clocks, hours);
  track.append(hoursLane, brush, cursor);
  let left = 0;
  let width = 1;
  const x = (position) => (width * (position - span[0])) / (span[1] - span[0] || 1);
  const xs = new Float64Array(n);
  const path = (svg, className, d) => {
    if (!d) return;
    const one = document.createElementNS(NS, "path");
    one.setAttribute("class", className);
    one.setAttribute("d", d);
    svg.append(one);
  };
  const sized = (svg, height) => {
    svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
    svg.style.height = `${height}px`;
    svg.replaceChildren();
  };
  const drawStrip = () => {
    const { svg, height } = lanes[0];
    sized(svg, height);
    const wide = Math.max(1.5, Math.min(9, (0.8 * width) / Math.max(n, 1)));
    const parts = {};
    for (let row = 0; row < n; row += 1) {
      const name = `bar ${GRADES[frames.grade[row]]} ${isIn(row) ? "in" : "out"}`;
      parts[name] = `${parts[name] ?? ""}M${xs[row].toFixed(1)} ${height - 2}V${isIn(row) ? 6 : height - 11}`;
      if (own.has(row)) parts.changed = `${parts.changed ?? ""}M${xs[row].toFixed(1)} 2h0`;
    }
    Object.entries(parts).forEach(([name, d]) => path(svg, name, d));
    svg.style.setProperty("--bar", wide);
  };
  const drawLane = ({ curve, svg, height }) => {
    sized(svg, height);
    const { low, high, values, errors } = curve;
    const y = (value) => height - 4 - ((height - 8) * (value - low)) / (high - low || 1);
    data.marks.forEach(([position]) => path(svg, "hour", `M${x(position).toFixed(1)} 0V${height}`));
    if (curve.mark !== null) path(svg, "level", `M0 ${y(curve.mark).toFixed(1)}H${width}`);
    const r = n <= 120 ? 4 : n <= 400 ? 2.6 : 1.8;
    const shapes = ["h0", `m0 ${-r}l${r} ${r}l${-r} ${r}l${-r} ${-r}Z`, `m${-0.8 * r} ${-0.8 * r}l${1.6 * r} ${1.6 * r}m0 ${-1.6 * r}l${-1.6 * r} ${1.6 * r}`];
    const course = {};
    const parts = {};
    let bars = "";
    for (let row = 0; row < n; row += 1) {
      const value = values[row];
      if (value === null) continue;
      const grade = frames.grade[row];
      const px = xs[row].toFixed(1);
      if (grade < 2) course[frames.group[row]] = `${course[frames.group[row]] ?? ""}${course[frames.group[row]] ? "L" : "M"}${px} ${Math.max(0, Math.min(height, y(value))).toFixed(1)}`;
      const off = value > high ? "l-3.5 6h7Z" : value < low ? "l-3.5 -6h7Z" : "";
      const py = value > high ? 1 : value < low ? height - 1 : y(value).toFixed(1);
      const name = `${off ? "off" : "dot"} ${GRADES[grade]}`;
      parts[name] = `${parts[name] ?? ""}M${px} ${py}${off || shapes[grade]}`;
      if (errors && errors[row] !== null && !off) bars += `M${px} ${y(value - errors[row]).toFixed(1)}V${y(value + errors[row]).toFixed(1)}`;
    }
    Object.values(course).forEach((d) => path(svg, "course", d));
    path(svg, "error", bars);
    Object.entries(parts).forEach(([name, d]) => path(svg, name, d));
    svg.style.setProperty("--dot", n <= 120 ? 6 : n <= 400 ? 4.4 : 3);
  };
  const drawHours = () => {
    sized(hours, 4 + 16 * data.clocks.length);
    data.marks.forEach(([position, ...labels]) => labels.forEach((label, k) => {
      const text = document.createElementNS(NS, "text");
      text.setAttribute("x", x(position).toFixed(1));
      text.setAttribute("y", 14 + 16 * k);
      text.textContent = label;
      hours.append(text);
    }));
  };
  const place = () => {
    const box = lanes[0].svg.getBoundingClientRect();
    const outer = track.getBoundingClientRect();
    if (!box.width) return;
    left = box.left - outer.left;
    width = box.width;
    at.forEach((position, row) => { xs[row] = x(position); });
  };
  let drawing = 0;
  const steps_ = () => [drawStrip, ...lanes.slice(1).map((lane) => () => drawLane(lane)), drawHours, point];
  const draw = () => {
    // One lane a turn, so that a long night never holds the page up.
    place();
    drawing += 1;
    const mine = drawing;
    const steps = steps_();
    const next = () => {
      if (mine !== drawing || !steps.length) return;
      steps.shift()();
      setTimeout(next);
    };
    next();
  };
  const withUnit = (curve, row) => `${curve.shown[row]}${curve.shown[row] === "–" ? "" : curve.unit === "″" ? "″" : ` ${curve.unit}`}`.trim();
  let hovered = null;
  const point = () => {
    const row = hovered ?? current;
    cursor.style.transform = `translateX(${left + xs[row]}px)`;
    cursor.hidden = !n;
    cursor.style.height = brush.style.height = `${hoursLane.offsetTop}px`;
    const [from, to] = [Math.min(...span_), Math.max(...span_)];
    brush.hidden = from === to;
    brush.style.left = `${left + xs[from] - 4}px`;
    brush.style.width = `${xs[to] - xs[from] + 8}px`;
    lanes.forEach(({ curve, value }) => {
      value.textContent = curve ? withUnit(curve, row)
        : `${frames.clock[row] || frames.file[row]} ${GRADES[frames.grade[row]]}`;
    });
  };
  const nearest = (clientX) => {
    const px = clientX - track.getBoundingClientRect().left - left;
    let [low, high] = [0, n - 1];
    while (low < high) {
      const middle = (low + high) >> 1;
      if (xs[middle] < px) low = middle + 1;
      else high = middle;
    }
    return low > 0 && px - xs[low - 1] < xs[low] - px ? low - 1 : low;
  };
  let pressed = null;
  track.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    pressed = { x: event.clientX, row: nearest(event.clientX), moved: false };
    if (event.pointerType === "mouse") track.setPointerCapture(event.pointerId);
  });
  track.addEventListener("pointermove", (event) => {
    hovered = nearest(event.clientX);
    if (pressed && Math.abs(event.clientX - pressed.x) > 6) {
      pressed.moved = true;
      span_ = [pressed.row, hovered];
    }
    point();
  });
  track.addEventListener("pointerup", (event) => {
    if (!pressed) return;
    const row = nearest(event.clientX);
    if (pressed.moved) select(row, pressed.row);
    else select(row);
    pressed = null;
  });
  track.addEventListener("pointercancel", () => { pressed = null; });
  track.addEventListener("pointerleave", () => { hovered = null; if (!pressed) point(); });

  // The table: a line a frame, in the page only while it is in view.
  const list = element("rows");
  const space = element("space");
  const columns = data.columns.map((name) => curves.find((curve) => curve.key === name)).filter(Boolean);
  const search = element("search");
  const which = element("which");
  let view = frames.file.map((_, row) => row);
  let sorted = { by: null, falling: false };
  const high = () => (matchMedia("(max-width: 46rem)").matches ? 44 : 30);
  const inSpan = (row) => row >= Math.min(...span_) && row <= Math.max(...span_);
  const line = (row, place) => {
    const one = made("div", `row ${GRADES[frames.grade[row]]}${isIn(row) ? "" : " out"}${own.has(row) ? " mine" : ""}`);
    one.id = `row-${row}`;
    one.setAttribute("role", "option");
    one.setAttribute("aria-selected", String(inSpan(row)));
    one.setAttribute("aria-posinset", place + 1);
    one.setAttribute("aria-setsize", view.length);
    one.style.transform = `translateY(${place * high()}px)`;
    const sign = made("span", "sign", SIGNS[frames.grade[row]]);
    sign.setAttribute("role", "img");
    sign.setAttribute("aria-label", `${GRADES[frames.grade[row]]}, ${isIn(row) ? "to stack" : "left out"}`);
    one.title = frames.file[row];
    one.append(sign, made("span", "name", short(row)), made("span", "clock", frames.clock[row]), made("span", "tag", [frames.tag[row], frames.group[row]].filter(Boolean).join(", ")));
    columns.forEach((curve, k) => one.append(made("span", `cell c${k}`, curve.shown[row])));
    one.addEventListener("click", (event) => select(row, event.shiftKey ? span_[0] : row));
    return one;
  };
  const fill = () => {
    const each = high();
    space.style.height = `${view.length * each}px`;
    const first = Math.max(0, Math.floor(list.scrollTop / each) - 6);
    const last = Math.min(view.length, Math.ceil((list.scrollTop + list.clientHeight) / each) + 6);
    space.replaceChildren(...view.slice(first, last).map((row, k) => line(row, first + k)));
    list.setAttribute("aria-activedescendant", element(`row-${current}`) ? `row-${current}` : "");
  };
  let waiting = false;
  list.addEventListener("scroll", () => {
    if (waiting) return;
    waiting = true;
    requestAnimationFrame(() => { waiting = false; fill(); });
  });
  const wanted = (row) => ({ in: isIn(row), out: !isIn(row), mine: own.has(row), 1: frames.grade[row] === 1, 2: frames.grade[row] === 2 })[which.value] ?? true;
  const arrange = () => {
    const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
    view = frames.file.map((_, row) => row).filter((row) => wanted(row) && words.every((word) =>
      `${frames.file[row]} ${frames.tag[row]} ${frames.group[row]} ${frames.why[row].join(" ")}`.toLowerCase().includes(word)));
    const { by, falling } = sorted;
    if (by !== null) {
      const value = by === "grade" ? (row) => rank[row] : (row) => by.values[row];
      view.sort((a, b) => {
        const [one, other] = [value(a), value(b)];
        if (one === null || other === null) return (one === null) - (other === null); // unknown values stay at the end
        return falling ? other - one : one - other;
      });
    }
    list.scrollTop = 0;
    fill();
  };
  const heads = element("heads");
  const startHead = data.clocks[0] === "UTC" ? "Start, UTC" : "Start";
  [["", "", "sign"], ["Frame", null, "name"], [startHead, null, "clock"], ["Reason", "grade", "tag"], ...columns.map((curve, k) => [`${curve.short}${curve.unit ? ` in\u00a0${curve.unit}` : ""}`, curve, `cell c${k}`])].forEach(([text, by, className]) => {
    if (!text) { heads.append(made("span", className)); return; }
    const button = made("button", className, text);
    button.type = "button";
    button.addEventListener("click", () => {
      sorted = { by, falling: sorted.by === by && !sorted.falling };
      heads.querySelectorAll("button").forEach((other) => { other.removeAttribute("aria-pressed"); other.dataset.way = ""; });
      button.setAttribute("aria-pressed", "true");
      button.dataset.way = sorted.falling ? "↓" : "↑";
      arrange();
    });
    heads.append(button);
  });
  search.addEventListener("input", arrange);
  which.addEventListener("change", arrange);

  // The viewer: the frame stretched, its middle and corners pixel by pixel, beside a pinned one or in turn with it.
  const TILES = ["upper left", "upper right", "middle", "lower left", "lower right"];
  const views = element("views");
  let pieces = false;
  let blinking = 0;
  const packed = (row) => {
    const source = element(`picture-${row}`);
    if (!source) return null;
    const [whole, sheet] = source.textContent.split(" ");
    return { whole: whole && `data:image/jpeg;base64,${whole}`, sheet: sheet && `data:image/jpeg;base64,${sheet}` };
  };
  const shownFrame = (row) => {
    const figure = made("figure", "seen");
    const picture = packed(row);
    if (!picture) {
      figure.append(made("p", "quiet none", "No picture of this frame: --thumbnails gives every frame one."));
    } else {
      if (!pieces) {
        const image = made("img");
        image.src = picture.whole;
        image.alt = `Frame ${frames.file[row]}: ${frames.text[row]}`;
        image.decoding = "async";
        figure.append(image);
      }
      const sheet = made("div", pieces ? "sheet large" : "sheet");
      TILES.forEach((name, k) => {
        const tile = made("span");
        const image = made("img");
        image.src = picture.sheet;
        image.alt = `${name} of frame ${frames.file[row]}, pixel by pixel, piece ${k + 1} of 5`;
        image.style.transform = `translateX(${-20 * k}%)`;
        tile.title = name;
        tile.append(image);
        sheet.append(tile);
      });
      figure.append(sheet);
    }
    figure.append(made("figcaption", "", `${frames.file[row]}${row === pinned ? " (pinned)" : ""}`));
    return figure;
  };
  const look = () => {
    const rows = pinned === null || pinned === current ? [current] : [pinned, current];
    views.replaceChildren(...rows.map(shownFrame));
    views.classList.toggle("two", rows.length === 2 && !blinking);
    views.classList.toggle("turns", rows.length === 2 && Boolean(blinking));
    const [from, to] = [Math.min(...span_), Math.max(...span_)];
    const marked = to - from + 1;
    const values = curves.map((curve) => (curve.shown[current] === "–" ? "" : `${curve.title} ${withUnit(curve, current)}`)).filter(Boolean);
    element("detail").textContent = marked > 1 ? `${counted(marked, "frame")} marked, ${counted(frames.file.slice(from, to + 1).filter((_, k) => isIn(from + k)).length, "frame")} to stack.`
      : [`${["Keep", "Doubtful", "Reject"][frames.grade[current]]}${own.has(current) ? `, your choice: ${isIn(current) ? "keep" : "reject"}` : ""}.`, ...frames.why[current], `${[frames.moment[current], ...values].filter(Boolean).join(", ")}.`].join(" ");
  };
  const turn = () => views.classList.toggle("other");
  const blink = () => {
    clearInterval(blinking);
    if (blinking && !still.matches) { blinking = 0; views.classList.remove("other"); }
    else if (still.matches) { blinking = -1; turn(); } // each press turns, nothing moves by itself
    else blinking = setInterval(turn, 700);
    if (pinned === null && n > 1) pinned = current === 0 ? 1 : current - 1;
    turnTo();
  };
  const pin = () => {
    pinned = pinned === current ? null : current;
    if (pinned === null) { clearInterval(blinking); blinking = 0; }
    turnTo();
  };

  // What the choice comes to.
  const kept = () => frames.file.map((_, row) => row).filter(isIn);
  const slider = element("depth");
  slider.max = Math.max(0, n - 1);
  const sum = () => {
    const rows = kept();
    const worth = rows.reduce((all, row) => all + (frames.worth[row] ?? 0), 0);
    let fwhm = choice.fwhm && many ? choice.fwhm[many - 1] : null;
    own.forEach((into, row) => {
      if (fwhm !== null && into !== rank[row] < many) fwhm *= into ? 1 + frames.wider[row] : 1 / (1 + frames.wider[row]);
    });
    const label = own.size ? `your choice, ${own.size} changed` : many === choice.recommended ? "recommended" : many === choice.keep ? "graded keep" : many === n ? "all frames" : `best ${many}`;
    const told = [`${rows.length} selected`, worth ? `worth ${duration(worth)}` : "", fwhm ? `stars ${own.size ? "about " : ""}${fwhm.toFixed(2)}${choice.unit}` : "", label].filter(Boolean).join(" · ");
    element("sum").textContent = told;
    slider.value = n - many;
    slider.setAttribute("aria-valuetext", told);
    element("recommended").disabled = !own.size && many === choice.recommended;
  };
  const update = () => {
    sum();
    drawStrip();
    turnTo();
  };
  const turnTo = () => {
    fill();
    point();
    look();
    track.setAttribute("aria-valuemin", 1);
    track.setAttribute("aria-valuemax", n);
    track.setAttribute("aria-valuenow", current + 1);
    track.setAttribute("aria-valuetext", `${frames.file[current]}, ${GRADES[frames.grade[current]]}, ${isIn(current) ? "to stack" : "left out"}`);
    element("pin").setAttribute("aria-pressed", String(pinned !== null));
    element("blink").setAttribute("aria-pressed", String(Boolean(blinking)));
    element("pieces").setAttribute("aria-pressed", String(pieces));
  };
  const select = (row, from = row) => {
    current = row;
    span_ = [from, row];
    hovered = null;
    const placeInView = view.indexOf(row);
    const each = high();
    if (placeInView >= 0) {
      const top = placeInView * each;
      if (top < list.scrollTop) list.scrollTop = top;
      else if (top + each > list.scrollTop + list.clientHeight) list.scrollTop = top + each - list.clientHeight;
    }
    turnTo();
  };
  const decide = (choiceOf) => {
    for (let row = Math.min(...span_); row <= Math.max(...span_); row += 1) {
      if (choiceOf === null || choiceOf === rank[row] < many) own.delete(row);
      else own.set(row, choiceOf);
    }
    remember();
    update();
  };
  slider.addEventListener("input", () => {
    many = n - Number(slider.value);
    own.forEach((into, row) => { if (into === rank[row] < many) own.delete(row); });
    remember();
    update();
  });
  element("recommended").addEventListener("click", () => { many = choice.recommended; own.clear(); remember(); update(); });
  const acts = { take: () => decide(true), drop: () => decide(false), undo: () => decide(null), pin, blink, pieces: () => { pieces = !pieces; turnTo(); } };
  Object.entries(acts).forEach(([id, act]) => element(id).addEventListener("click", act));
  const KEYS = { k: acts.take, r: acts.drop, Backspace: acts.undo, Delete: acts.undo, p: pin, b: blink, c: acts.pieces };
  const onKey = (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const along = event.currentTarget === track ? frames.file.map((_, row) => row) : view;
    const here = along.indexOf(current);
    const to = { ArrowRight: here + 1, ArrowDown: here + 1, ArrowLeft: here - 1, ArrowUp: here - 1, PageDown: here + 10, PageUp: here - 10, Home: 0, End: along.length - 1 }[event.key];
    const act = KEYS[event.key.length === 1 ? event.key.toLowerCase() : event.key];
    if (to !== undefined && along.length) {
      const row = along[Math.max(0, Math.min(along.length - 1, to))];
      select(row, event.shiftKey ? span_[0] : row);
    } else if (act) act();
    else return;
    event.preventDefault();
  };
  [track, list].forEach((one) => one.addEventListener("keydown", onKey));

  // Ways out: the list, and the command that sorts by it.
  const names = () => kept().map((row) => `${frames.file[row]}\n`).join("");
  const quoted = (text) => (/^[\w./-]+$/.test(text) ? text : `'${text.replaceAll("'", "'\\''")}'`);
  const command = `framecheck sort ${quoted(data.folder || ".")} --into sorted --by frames-to-stack.txt`;
  element("line").textContent = command;
  const tell = (text) => { element("sum").textContent = text; setTimeout(sum, 2500); };
  const copy = async (text, done) => {
    try { await navigator.clipboard.writeText(text); tell(done); } catch { tell("This browser doesn't let the page copy: use Download list."); }
  };
  element("copy").addEventListener("click", () => copy(names(), "List copied."));
  element("command").addEventListener("click", () => copy(command, "Command copied: it reads the list you download."));
  element("save").addEventListener("click", () => {
    const link = made("a");
    link.href = URL.createObjectURL(new Blob([names()], { type: "text/plain" }));
    link.download = "frames-to-stack.txt";
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  });
  // A list of some of the frames is worse than none.
  ["copy", "save", "command"].forEach((id) => { element(id).disabled = !choice.whole; });

  const PAPER = "690px"; // A4 and Letter within the margins of the style sheet are 695 and 718 px wide
  // On paper: every frame in one table, whose head stands on each page.
  let printed = null;
  addEventListener("beforeprint", () => {
    printed = made("table", "printed");
    const head = printed.createTHead().insertRow();
    ["Frame", startHead, ...data.clocks.slice(1), "Grade", "Reason", ...columns.map((curve) => `${curve.title}${curve.unit ? `, ${curve.unit}` : ""}`)].forEach((text) => head.append(made("th", "", text)));
    const body = printed.createTBody();
    frames.file.forEach((file, row) => {
      const one = body.insertRow();
      [file, frames.clock[row], ...(data.clocks[1] ? [frames.local[row]] : []), `${GRADES[frames.grade[row]]}${own.has(row) ? ` (mine: ${isIn(row) ? "keep" : "reject"})` : ""}`, frames.tag[row], ...columns.map((curve) => curve.shown[row])].forEach((text) => { one.insertCell().textContent = text; });
    });
    element("bench").after(printed);
    // As wide as paper, at once: what is printed waits for nothing.
    drawing += 1;
    track.style.width = PAPER;
    place();
    steps_().forEach((step) => step());
  });
  addEventListener("afterprint", () => { printed?.remove(); track.style.width = ""; draw(); });

  recall();
  element("bench").hidden = false;
  sum();
  setTimeout(() => select(current));
  new ResizeObserver(() => { draw(); fill(); }).observe(track);
};
// What is above it is shown first.
if (element("bench")) {
  setTimeout(() => {
    const data = JSON.parse(element("data").textContent);
    setTimeout(() => bench(data));
  });
}
unfold();
