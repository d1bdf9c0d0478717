"use strict";
(function () {
  const root = document.documentElement;
  root.classList.add("scripted");
  const known = document.getElementById("data");
  const data = known ? JSON.parse(known.textContent) : {};
  const at = (id) => document.getElementById(id);

  // -- charts: the world in them moves, pins keep their size, and of labels that crowd the lower rank stays --
  const PAPER_WIDE = { "time-chart": 690, "map-chart": 470 };
  const views = [...document.querySelectorAll("svg.chart")].map((svg) => {
    const [left, top, wide, high] = svg.dataset.box.split(" ").map(Number);
    const onlyTime = svg.id === "time-chart";
    if (onlyTime) svg.setAttribute("preserveAspectRatio", "none");
    return { svg, world: svg.querySelector(".world"), left, top, wide, high, onlyTime, zoom: 1, x: left, y: top };
  });

  let onPaper = false;
  function show(view) {
    const { svg, zoom } = view;
    view.x = Math.min(Math.max(view.x, view.left), view.left + view.wide * (1 - 1 / zoom));
    view.y = Math.min(Math.max(view.y, view.top), view.top + view.high * (1 - 1 / zoom));
    const zoomY = view.onlyTime ? 1 : zoom;
    const shiftY = view.onlyTime ? 0 : view.top - view.y * zoom;
    view.world.setAttribute("transform", `translate(${view.left - view.x * zoom} ${shiftY}) scale(${zoom} ${zoomY})`);
    const paper = svg.viewBox.baseVal;
    const px = (onPaper ? PAPER_WIDE[svg.id] : svg.clientWidth) / paper.width || 1;
    const py = view.onlyTime ? (svg.clientHeight / paper.height || 1) : px;
    svg.style.setProperty("--kx", 1 / px);
    svg.style.setProperty("--ky", 1 / py);
    view.world.style.setProperty("--kx", 1 / px / zoom);
    view.world.style.setProperty("--ky", 1 / py / zoomY);
    clear(view);
  }

  function clear({ svg }) {
    const labels = [...svg.querySelectorAll("[data-label]")].filter((one) => !one.closest(".off"));
    for (const label of labels) label.removeAttribute("data-crowded");
    labels.sort((a, b) => a.dataset.label - b.dataset.label);
    const frame = svg.getBoundingClientRect(), taken = [];
    const signs = [...svg.querySelectorAll(".thing:not(.off) use")]
      .map((one) => ({ thing: one.closest(".thing"), box: one.getBoundingClientRect() }));
    const meets = (a, b) => a.left < b.right + 2 && b.left < a.right + 2 && a.top < b.bottom && b.top < a.bottom;
    for (const label of labels) {
      const box = inside(label, frame);
      const out = box.right < frame.left || box.left > frame.right;
      const under = signs.some((one) => one.thing !== label.closest(".thing") && meets(box, one.box));
      const crowded = out || under || taken.some((one) => meets(box, one));
      if (crowded) label.setAttribute("data-crowded", ""); else taken.push(box);
    }
  }

  // A label that would pass the right edge goes to the other side of its sign.
  function inside(label, frame) {
    if (!label.closest(".thing")) return label.getBoundingClientRect();
    const put = (x, anchor) => { label.setAttribute("x", x); label.setAttribute("text-anchor", anchor); };
    put(13, "start");
    if (label.getBoundingClientRect().right > frame.right) put(-13, "end");
    return label.getBoundingClientRect();
  }

  const showAll = () => views.forEach(show);
  new ResizeObserver(showAll).observe(document.body);
  function fit(paper) { onPaper = paper; showAll(); }
  window.matchMedia("print").addEventListener("change", (change) => fit(change.matches));
  window.addEventListener("beforeprint", () => fit(true));
  window.addEventListener("afterprint", () => fit(false));

  function place(view, event) {
    const box = view.svg.getBoundingClientRect(), paper = view.svg.viewBox.baseVal;
    const x = (event.clientX - box.left) / box.width * paper.width;
    const y = (event.clientY - box.top) / box.height * paper.height;
    return { x: view.x + (x - view.left) / view.zoom, y: view.onlyTime ? y : view.y + (y - view.top) / view.zoom,
      perX: paper.width / box.width / view.zoom, perY: paper.height / box.height / view.zoom };
  }

  function zoomTo(view, zoom, about) {
    zoom = Math.min(Math.max(zoom, 1), 16);
    view.x = about.x - (about.x - view.x) * view.zoom / zoom;
    if (!view.onlyTime) view.y = about.y - (about.y - view.y) * view.zoom / zoom;
    view.zoom = zoom;
    view.svg.classList.toggle("moving", zoom > 1);
    show(view);
  }

  for (const view of views) {
    const fingers = new Map();
    let moved = 0;
    view.svg.addEventListener("wheel", (event) => {
      if (!event.ctrlKey && !event.metaKey) return; // the page itself scrolls
      event.preventDefault();
      zoomTo(view, view.zoom * Math.exp(-event.deltaY / 300), place(view, event));
    }, { passive: false });
    view.svg.addEventListener("pointerdown", (event) => { fingers.set(event.pointerId, event); moved = 0; });
    view.svg.addEventListener("pointermove", (event) => {
      const before = fingers.get(event.pointerId);
      if (!before) return;
      const others = [...fingers.values()].filter((one) => one.pointerId !== event.pointerId);
      if (others.length) {
        const far = (one) => Math.hypot(one.clientX - others[0].clientX, one.clientY - others[0].clientY) || 1;
        zoomTo(view, view.zoom * far(event) / far(before), place(view, event));
      } else if (view.zoom > 1) {
        const here = place(view, event);
        view.x -= (event.clientX - before.clientX) * here.perX;
        if (!view.onlyTime) view.y -= (event.clientY - before.clientY) * here.perY;
        show(view);
      }
      moved += Math.abs(event.clientX - before.clientX) + Math.abs(event.clientY - before.clientY);
      fingers.set(event.pointerId, event);
    });
    for (const end of ["pointerup", "pointercancel", "pointerleave"]) {
      view.svg.addEventListener(end, (event) => fingers.delete(event.pointerId));
    }
    view.svg.addEventListener("click", (event) => { if (moved > 8) event.preventDefault(); }, true);
    view.svg.addEventListener("dragstart", (event) => event.preventDefault());
  }

  const map = views.find((view) => view.svg.id === "map-chart");
  const time = views.find((view) => view.svg.id === "time-chart");
  for (const tools of document.querySelectorAll(".tools, .player")) tools.hidden = false;
  for (const button of document.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => {
      const middle = { x: map.x + map.wide / map.zoom / 2, y: map.y + map.high / map.zoom / 2 };
      zoomTo(map, { in: 1.6 * map.zoom, out: map.zoom / 1.6, whole: 1 }[button.dataset.zoom], middle);
    });
  }

  // -- the depth under the pointer --
  if (map && at("under-pointer")) {
    map.svg.addEventListener("pointermove", (event) => {
      const here = place(map, event), grid = data.map.grid;
      const east = data.map.west + (here.x - map.left) / data.map.scale;
      const north = data.map.north - (here.y - map.top) / data.map.scale;
      let words = "Nothing known there.";
      if (grid) {
        const column = Math.round((east - grid.east) / grid.step), row = Math.round((north - grid.north) / grid.rise);
        const inside = column >= 0 && column < grid.columns && row >= 0;
        const depth = inside ? grid.depth[row * grid.columns + column] : null;
        if (depth != null) {
          const within = (grid.within[row * grid.columns + column] / 10).toFixed(1);
          words = `${(depth / 10).toFixed(1)} ${data.unit} deep, nine times in ten within ${within} ${data.unit}`;
        }
      }
      at("under-pointer").textContent = words;
    });
  }

  // -- the time cursor: along track and depth --
  const bar = at("at"), day = data.day;
  function clock(t) {
    const s = Math.round(day.clock === null ? t : day.clock + t) % 86400;
    const two = (n) => String(Math.floor(n)).padStart(2, "0");
    return `${day.clock === null ? "+" : ""}${two(s / 3600)}:${two(s / 60 % 60)}:${two(s % 60)}`;
  }
  function moveTo(t) {
    let low = 0, high = day.t.length - 1;
    while (low < high) { const mid = (low + high + 1) >> 1; if (day.t[mid] <= t) low = mid; else high = mid - 1; }
    const depth = day.depth[low], rod = (day.hands.filter(([since]) => since <= t).pop() || [])[1];
    let words = `${clock(t)} · bottom ${depth === null ? "not known" : `${(depth / data.per).toFixed(1)} ${data.unit}`}`;
    if (rod) words += ` · ${rod} in hand`;
    at("time-now").removeAttribute("hidden"); // what is drawn has no property of that name
    at("time-now").setAttribute("transform",
      `translate(${time.left + (t - data.time.began) / data.time.lasted * time.wide} 0)`);
    if (map && day.x) {
      const boat = at("boat-now"), x = day.x[low], y = day.y[low];
      boat.toggleAttribute("hidden", x === null);
      if (x !== null) boat.setAttribute("transform", `translate(${map.left + (x - data.map.west) * data.map.scale} `
        + `${map.top + (data.map.north - y) * data.map.scale})`);
      for (const cast of map.svg.querySelectorAll("[data-from]")) {
        const under = t >= cast.dataset.from && t <= cast.dataset.until;
        cast.classList.toggle("cast-now", under);
        if (under) words += " · a lure in the water";
      }
    }
    at("now").textContent = words;
  }
  if (bar && day) {
    let last = 0, playing = 0;
    const run = at("run");
    bar.addEventListener("input", () => moveTo(Number(bar.value)));
    const step = (now) => {
      if (!playing) return;
      const next = Number(bar.value) + (now - last) / 1000 * data.time.lasted / 60; // a day in a minute
      last = now;
      bar.value = next;
      moveTo(Number(bar.value));
      if (next >= Number(bar.max)) stopRun(); else playing = requestAnimationFrame(step);
    };
    function stopRun() { playing = 0; run.textContent = "Play"; run.setAttribute("aria-pressed", "false"); }
    run.addEventListener("click", () => {
      if (playing) return stopRun();
      if (Number(bar.value) >= Number(bar.max)) bar.value = bar.min;
      last = performance.now();
      run.textContent = "Pause";
      run.setAttribute("aria-pressed", "true");
      playing = requestAnimationFrame(step);
    });
    time.svg.addEventListener("click", (event) => {
      if (event.target.closest("a")) return;
      bar.value = data.time.began + (place(time, event).x - time.left) / time.wide * data.time.lasted;
      moveTo(Number(bar.value));
    });
  }

  // -- the filter: by kind and by rod --
  const boxes = [...document.querySelectorAll("[data-filter]")];
  function filter() {
    const off = { kind: new Set(), rod: new Set() };
    for (const box of boxes) if (!box.checked) off[box.dataset.filter].add(box.value);
    for (const part of document.querySelectorAll("[data-kind]")) {
      part.classList.toggle("off", off.kind.has(part.dataset.kind) || off.rod.has(part.dataset.rod));
    }
    showAll();
  }
  for (const box of boxes) box.addEventListener("change", filter);
  showAll();

  // A link into something folded unfolds it.
  function unfold() {
    const row = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
    for (let box = row && row.parentElement; box; box = box.parentElement) if (box.tagName === "DETAILS") box.open = true;
  }
  window.addEventListener("hashchange", unfold);
  unfold();

  // One clip at a time.
  let playing = null;
  function stop() {
    if (!playing) return;
    playing.sound.pause();
    playing.button.setAttribute("aria-pressed", "false");
    playing.button.textContent = "▶";
    playing = null;
  }
  document.addEventListener("click", (event) => {
    const button = event.target.closest("button.play");
    if (!button) return;
    const again = playing && playing.button === button;
    stop();
    if (again) return;
    const sound = document.getElementById(button.dataset.clip);
    sound.currentTime = 0;
    sound.onended = stop;
    playing = { sound, button };
    button.setAttribute("aria-pressed", "true");
    button.textContent = "■";
    sound.play().catch(stop);
  });

  // Was it right? What is chosen beside an utterance becomes a command to run where the logbook is.
  const line = at("telling-line");
  const OPTIONS = [["", "right?"], ["right", "right"], ["meant", "wrong"], ["talk", "talk"]];
  function write() {
    const chosen = [...document.querySelectorAll(".telling select")].filter((one) => one.value);
    const told = chosen.map((one) => `--${one.value} ${one.dataset.number}${one.value === "meant" ? ' "..."' : ""}`);
    line.value = told.length ? [at("telling").dataset.command, ...told].join(" ") : "";
  }
  for (const place of line ? document.querySelectorAll(".telling") : []) {
    const select = document.createElement("select");
    select.dataset.number = place.dataset.heard;
    select.setAttribute("aria-label", `was ${place.dataset.heard} right?`);
    for (const [value, words] of OPTIONS) {
      if (value !== "right" || "taken" in place.dataset) select.add(new Option(words, value));
    }
    select.addEventListener("change", write);
    place.append(select);
  }
  if (line) at("telling").hidden = false;

  // Tables that sort: by the number a cell carries, else by its words.
  for (const table of document.querySelectorAll("table.sorts")) {
    const heads = [...table.tHead.rows[0].cells];
    heads.forEach((head, column) => {
      const button = head.querySelector("button");
      if (!button) return;
      button.addEventListener("click", () => {
        const up = head.getAttribute("aria-sort") !== "ascending";
        for (const other of heads) other.removeAttribute("aria-sort");
        head.setAttribute("aria-sort", up ? "ascending" : "descending");
        const key = (row) => row.cells[column].dataset.sort ?? row.cells[column].textContent.trim();
        const number = (words) => /^#?-?\d+(\.\d+)?($|[ #,])/.test(words) ? parseFloat(words.replace("#", "")) : NaN;
        const rows = [...table.tBodies[0].rows].sort((one, other) => {
          const [p, q] = [key(one), key(other)];
          if (p === "" || q === "") return p === q ? 0 : p === "" ? 1 : -1;
          const [a, b] = [number(p), number(q)];
          const by = isNaN(a) || isNaN(b) ? p.localeCompare(q) : a - b;
          return up ? by : -by;
        });
        table.tBodies[0].append(...rows);
      });
    });
  }
})();
