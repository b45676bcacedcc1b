"use strict";
// The night's state comes as a script from beside this page, put in again every few seconds: that works from a disk too.
(() => {
  const EVERY_MS = 5000; // chosen: shorter than any exposure that is worth watching
  const body = document.body, main = document.querySelector("main"), root = document.documentElement;
  const nonce = body.dataset.nonce, known = new Set(JSON.parse(body.dataset.known));
  const shown = new Map();
  let last = "", over = "over" in body.dataset;

  // How long ago: a page that nobody writes any more must show it.
  const tellAges = () => {
    for (const one of document.querySelectorAll("time[data-ago]")) {
      const minutes = Math.floor((Date.now() - Date.parse(one.dateTime)) / 60000), hours = Math.floor(minutes / 60);
      const ago = minutes < 1 ? "just now" : hours < 1 ? `${minutes} min ago` : hours < 48 ? `${hours} h ${minutes % 60} min ago` : `${Math.floor(hours / 24)} days ago`;
      const place = one.parentElement.querySelector(".quiet");
      if (place) place.textContent = `(${ago})`;
    }
  };

  const say = (text) => { const told = document.getElementById("told"); told.textContent = text; told.hidden = !text; };

  // Only sections that differ are changed, so that nothing jumps under a reader's eyes.
  const show = (content) => {
    const fresh = new DOMParser().parseFromString(content, "text/html");
    const sections = [...fresh.querySelectorAll("body > section")];
    const names = sections.map((one) => one.id);
    for (const old of [...main.querySelectorAll(":scope > section")]) if (!names.includes(old.id)) old.remove();
    sections.forEach((one, place) => {
      const here = document.getElementById(one.id), text = one.outerHTML;
      if (here && shown.get(one.id) === text) return;
      shown.set(one.id, text);
      if (here) here.replaceWith(document.importNode(one, true));
      else main.insertBefore(document.importNode(one, true), main.children[place] ?? null);
    });
  };

  const heard = document.getElementById("heard");
  window.framecheckNow = (state) => {
    const text = JSON.stringify(state);
    if (text === last) return;
    last = text;
    show(state.content);
    document.title = state.title;
    for (const alarm of state.alarms) {
      if (known.has(alarm.name)) continue;
      known.add(alarm.name);
      heard.textContent = `${alarm.title}. ${alarm.text}`;
      if (pressed("sound")) beep(3);
      if (pressed("notify")) notify(alarm);
    }
    over = state.over;
    tellAges();
  };

  const ask = () => {
    if (over) return;
    const script = document.createElement("script");
    script.nonce = nonce;
    script.src = `${body.dataset.state}?${Date.now()}`; // never the one that is kept
    script.onload = script.onerror = () => script.remove();
    body.append(script);
  };

  const pressed = (name) => document.getElementById(name).getAttribute("aria-pressed") === "true";
  const press = (name, on) => document.getElementById(name).setAttribute("aria-pressed", String(on));
  const keep = (name, on) => { try { localStorage.setItem(`framecheck ${name}`, on ? "on" : ""); } catch { /* not kept then */ } };
  const kept = (name) => { try { return localStorage.getItem(`framecheck ${name}`) === "on"; } catch { return false; } };

  const red = (on) => { root.toggleAttribute("data-red", on); press("red", on); keep("red", on); };
  document.getElementById("red").addEventListener("click", () => red(!pressed("red")));
  red(kept("red"));

  let audio = null;
  const beep = (times) => {
    if (!audio) return;
    for (let k = 0; k < times; k += 1) {
      const tone = audio.createOscillator(), loud = audio.createGain(), at = audio.currentTime + 0.35 * k;
      tone.frequency.value = 660;
      loud.gain.setValueAtTime(0.2, at);
      loud.gain.setTargetAtTime(0, at + 0.15, 0.03);
      tone.connect(loud).connect(audio.destination);
      tone.start(at);
      tone.stop(at + 0.3);
    }
  };
  document.getElementById("sound").addEventListener("click", () => {
    const on = !pressed("sound"); // a browser lets a page sound only after a press: so it is not kept
    if (on) { audio ??= new AudioContext(); audio.resume(); }
    press("sound", on);
    if (on) beep(1);
  });

  const allowNotes = (on) => {
    press("notify", on);
    say(on ? "" : "This browser shows no notifications for this page. Use Sound, or allow them in its settings.");
  };
  const notify = (alarm) => {
    // Phones may say yes and then refuse: there only an installed page may notify.
    try { new Notification(alarm.title, { body: alarm.text, tag: alarm.name }); } catch { allowNotes(false); }
  };
  document.getElementById("notify").addEventListener("click", async () => {
    if (pressed("notify")) { press("notify", false); return; }
    const may = "Notification" in window ? await Notification.requestPermission().catch(() => "denied") : "denied";
    allowNotes(may === "granted");
  });

  document.querySelector(".switches").hidden = false;
  for (const one of main.querySelectorAll(":scope > section")) shown.set(one.id, "");
  tellAges();
  setInterval(tellAges, 15000);
  if (!over) setInterval(ask, EVERY_MS);
})();
