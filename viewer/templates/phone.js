"use strict";
const words = document.body.dataset, at = (id) => document.getElementById(id);
let waiting = null, last = 0, heard = Date.now();

function line(tag, text, kind) {
  const made = document.createElement(tag);
  made.textContent = text;
  if (kind) made.className = kind;
  return made;
}

function cylinder(c) {
  const row = document.createElement("li"), bar = document.createElement("meter"), side = line("span", c.percent + " %", "percent");
  if (c.state === "low" || c.state === "dead") row.className = "low";
  bar.min = 0; bar.max = 100; bar.value = c.percent;
  side.append(line("small", c.word + ", " + words.range.replace("{from}", c.from).replace("{to}", c.to)));
  row.append(line("b", c.name), bar, side);
  return row;
}

function button(action) {
  const made = line("button", words[action]);
  made.onclick = async () => {
    made.disabled = true;
    const done = await fetch("do/" + action, {method: "POST"}).catch(() => null);
    if (!done || !done.ok) at("aside").textContent = words.refused;
    made.disabled = false;
  };
  return made;
}

function picture(name, number) {
  const made = document.createElement("img");
  made.alt = name;
  made.onerror = () => made.remove();
  made.src = name + ".svg?" + number;
  return made;
}

function show(told) {
  clearTimeout(waiting);
  document.body.className = told.alarm ? "alarm" : "";
  at("headline").textContent = told.headline;
  at("advice").textContent = told.advice;
  at("aside").textContent = told.aside;
  at("lines").replaceChildren(...told.lines.map((text) => line("li", text)));
  at("cylinders").replaceChildren(...told.cylinders.map(cylinder));
  at("actions").replaceChildren(...told.actions.map(button));
  const drawn = told.pictures ? told.number : 0;
  if (drawn !== last || !told.pictures)
    at("pictures").replaceChildren(...(told.pictures ? [picture("strip", drawn), picture("wheel", drawn)] : []));
  last = drawn;
  if (told.enough)
    waiting = setTimeout(() => {
      at("headline").textContent = told.enough.headline;
      at("advice").textContent = told.enough.advice;
    }, 1000 * told.enough.after_s);
}

function lost() {
  clearTimeout(waiting);
  document.body.className = "alarm lost";
  at("headline").textContent = words.lost;
  at("advice").textContent = words.lostAdvice;
  at("actions").replaceChildren();
}

const known = JSON.parse(words.told);
if (known.phase) show(known);

const events = new EventSource("events");
events.onmessage = (event) => { heard = Date.now(); const told = JSON.parse(event.data); if (told.phase) show(told); };
events.addEventListener("beat", () => { heard = Date.now(); });
events.onerror = lost;
setInterval(() => { if (Date.now() - heard > 15000) lost(); }, 3000);
