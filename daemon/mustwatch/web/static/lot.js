// The curve of a lot: the daemon draws it, in the page itself; here it is read, dragged, pinched, and looked at closer.
"use strict";

(() => {
  const place = document.getElementById("lot-curve");
  if (!place) return;
  const said = document.getElementById("curve-said");
  const slider = document.getElementById("curve-at");
  const ALONG = 10000;
  const NEAR = 12;
  let reading = null; // where along the picture it is read
  let touch = null; // what fingers began: { view, shown }
  let asked = 0;
  const fingers = new Map();

  const chart = () => place.querySelector(".chart");
  const curve = () => place.querySelector("svg.curve");
  const instant = (x) => {
    const { from, until } = curve().dataset;
    return Number(from) + ((until - from) * x) / ALONG;
  };
  const along = (clientX) => {
    const box = curve().getBoundingClientRect();
    return Math.min(Math.max(((clientX - box.left) / box.width) * ALONG, 0), ALONG);
  };

  // --- reading ---

  // What a drawn line says at a place: between the two of its points that are joined.
  const heightAt = (path, x) => {
    for (const run of path?.getAttribute("d").split("M").slice(1) ?? []) {
      const numbers = run.split(" ");
      for (let i = 0; i + 1 < numbers.length; i += 2) {
        const [x1, y1] = [Number.parseFloat(numbers[i]), Number.parseFloat(numbers[i + 1])];
        if (x1 < x) continue;
        if (i === 0) {
          if (x1 - x < 30) return y1;
          break;
        }
        const [x0, y0] = [Number.parseFloat(numbers[i - 2]), Number.parseFloat(numbers[i - 1])];
        return x1 === x0 ? y1 : y0 + ((y1 - y0) * (x - x0)) / (x1 - x0);
      }
      if (Math.abs(x - Number.parseFloat(numbers.at(-2))) < 30) return Number.parseFloat(numbers.at(-1));
    }
    return null;
  };
  const value = (path, x, scale, digits) => {
    const y = heightAt(path, x);
    if (y === null) return null;
    const [low, high, top, height] = curve().dataset[scale].split(",").map(Number);
    return (high - ((y - top) / height) * (high - low)).toFixed(digits).replace("-", "−");
  };

  const words = (x) => {
    const { digits, gravityUnit, degree, zone } = curve().dataset;
    const at = new Date(instant(x)).toLocaleString("en-GB", { timeZone: zone, weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });
    const found = [at];
    const gravity = value(curve().querySelector("path.gravity"), x, "gravity", digits);
    const ahead = gravity === null ? value(curve().querySelector("path.forecast"), x, "gravity", digits) : null;
    if (gravity !== null) found.push(`gravity ${gravity}${gravityUnit}`);
    else if (ahead !== null) found.push(`expected ${ahead}${gravityUnit}`);
    const warm = curve().querySelectorAll("path.celsius");
    for (const path of warm) {
      const degrees = value(path, x, "celsius", 1);
      if (degrees !== null) found.push(`${warm.length > 1 ? `${path.dataset.name} ` : ""}${degrees}${degree}`);
    }
    for (const path of curve().querySelectorAll("path.room")) {
      const degrees = value(path, x, "celsius", 1);
      if (degrees !== null) found.push(`room ${degrees}${degree}`);
    }
    const width = curve().getBoundingClientRect().width;
    for (const mark of curve().querySelectorAll("[data-words]")) {
      const apart = Math.abs(parseFloat(mark.getAttribute("x")) * (ALONG / 100) - x);
      if ((apart * width) / ALONG < NEAR) found.push(mark.dataset.words.length > 90 ? `${mark.dataset.words.slice(0, 88)}…` : mark.dataset.words);
    }
    return found.join(" · ");
  };

  const read = (x) => {
    reading = x;
    curve().querySelector(".read")?.remove();
    if (x === null) {
      said.textContent = "Tap the curve: gravity and temperature are said here.";
      return;
    }
    const line = document.createElementNS("http://www.w3.org/2000/svg", "path");
    line.setAttribute("class", "read");
    line.setAttribute("d", `M${Math.round(x)} 24V398`);
    curve().querySelector(".stretched").append(line);
    said.textContent = words(x);
    slider.value = x;
    slider.setAttribute("aria-valuetext", said.textContent);
  };

  // --- looking elsewhere ---

  const show = async (query, isNew) => {
    const turn = ++asked;
    const focused = document.activeElement?.id;
    const text = await fetch(`${place.dataset.href}/curve${query}`).then((answer) => (answer.ok ? answer.text() : null), () => null);
    if (turn !== asked) return;
    if (text === null) {
      stretch([0, ALONG]);
      said.textContent = "Not connected: this stretch of the curve could not be fetched.";
      return;
    }
    reading = null;
    place.innerHTML = text;
    if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
    // A page that a form was sent to keeps its address: to load it again would lose what was typed.
    if (isNew && decodeURI(location.pathname) === decodeURI(place.dataset.href)) history.pushState(null, "", `${place.dataset.href}${query}`);
  };
  const showWindow = (from, until) => {
    const whole = Math.max(until - from, 300000);
    const middle = (from + until) / 2;
    return show(`?from=${Math.max(0, Math.round(middle - whole / 2))}&until=${Math.round(middle + whole / 2)}`, true);
  };

  place.addEventListener("click", (event) => {
    const link = event.target.closest(".chart-foot a");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    show(new URL(link.href).search, true);
  });
  addEventListener("popstate", () => show(location.search, false));
  slider.addEventListener("input", () => read(Number(slider.value)));
  slider.addEventListener("focus", () => read(Number(slider.value)));

  // --- fingers and the mouse ---

  const stretch = (view) => {
    const [left, width] = view;
    const inner = curve().querySelector(".stretched");
    inner.setAttribute("viewBox", `${left} 0 ${width} ${curve().getAttribute("height")}`);
    for (const part of curve().children) {
      for (const name of ["x", "x1", "x2"]) {
        if (!part.hasAttribute(name) || part.classList.contains("value")) continue;
        part.dataset[name] ??= parseFloat(part.getAttribute(name));
        part.setAttribute(name, `${((part.dataset[name] * (ALONG / 100) - left) / width) * 100}%`);
      }
    }
  };
  const spread = () => {
    const places = [...fingers.values()].map((one) => one.x).sort((a, b) => a - b);
    return { middle: (places[0] + places.at(-1)) / 2, apart: Math.max(places.at(-1) - places[0], 20), count: places.length };
  };
  const begin = () => {
    touch = { view: touch?.shown ?? [0, ALONG], start: spread(), shown: touch?.shown ?? null };
  };
  const move = () => {
    const box = curve().getBoundingClientRect();
    const now = spread();
    const zoom = touch.start.count > 1 ? touch.start.apart / now.apart : 1;
    const [left, width] = touch.view;
    const share = (x) => (x - box.left) / box.width;
    const held = left + share(touch.start.middle) * width; // what lies under the fingers stays there
    touch.shown = [held - share(now.middle) * width * zoom, width * zoom];
    stretch(touch.shown);
  };
  const end = (isDone) => {
    const shown = touch?.shown;
    touch = null;
    if (!shown) return;
    if (isDone) showWindow(instant(shown[0]), instant(shown[0] + shown[1]));
    else stretch([0, ALONG]);
  };

  place.addEventListener("pointerdown", (event) => {
    if (!event.target.closest(".chart") || event.button) return;
    place.removeAttribute("data-live"); // not replaced under the fingers
    fingers.set(event.pointerId, { x: event.clientX, from: event.clientX, isMouse: event.pointerType === "mouse" });
    chart().setPointerCapture(event.pointerId);
    if (event.pointerType !== "mouse") begin();
  });
  place.addEventListener("pointermove", (event) => {
    const finger = fingers.get(event.pointerId);
    if (!finger) {
      if (event.pointerType === "mouse" && event.target.closest(".chart")) read(along(event.clientX));
      return;
    }
    finger.x = event.clientX;
    if (finger.isMouse) {
      const [a, b] = [along(finger.from), along(finger.x)].sort((one, other) => one - other);
      let box = curve().querySelector(".chosen");
      if (!box) {
        box = document.createElementNS("http://www.w3.org/2000/svg", "rect");
        for (const [name, of] of [["class", "chosen"], ["y", 24], ["height", 374]]) box.setAttribute(name, of);
        curve().querySelector(".stretched").append(box);
      }
      box.setAttribute("x", a);
      box.setAttribute("width", b - a);
    } else if (fingers.size > 1 || Math.abs(finger.x - finger.from) > 8) move();
  });
  const lift = (event) => {
    const finger = fingers.get(event.pointerId);
    if (!finger) return;
    fingers.delete(event.pointerId);
    if (!fingers.size) place.setAttribute("data-live", "");
    const isDone = event.type === "pointerup";
    const isTap = Math.abs(event.clientX - finger.from) <= 8;
    if (finger.isMouse) {
      curve().querySelector(".chosen")?.remove();
      if (isDone && !isTap) {
        const [a, b] = [along(finger.from), along(event.clientX)].sort((one, other) => one - other);
        showWindow(instant(a), instant(b));
      }
    } else if (fingers.size) begin();
    else if (isDone && isTap && !touch.shown) {
      touch = null;
      read(along(event.clientX));
    } else end(isDone);
  };
  place.addEventListener("pointerup", lift);
  place.addEventListener("pointercancel", lift);
  place.addEventListener("dblclick", (event) => event.target.closest(".chart") && show("", true));

  // A newer drawing, by whomever it was put here, is read at the same place.
  new MutationObserver((changes) => changes.some((one) => one.target === place) && read(reading)).observe(place, { childList: true });
  said.hidden = false;
  slider.hidden = false;
  read(null);
})();

// What if it were kept warmer or cooler: the answer follows the slider.
(() => {
  const form = document.getElementById("what-if-form");
  if (!form) return;
  let asked = 0;
  form.addEventListener("input", async () => {
    const turn = ++asked;
    const { degrees } = form.elements;
    if (degrees) form.querySelector("output").value = `${degrees.value} ${degrees.labels[0].textContent.slice(-2)}`;
    const query = new URLSearchParams(new FormData(form));
    const address = form.getAttribute("action").replace("#what-if", "");
    const text = await fetch(`${address}/whatif?${query}`).then((answer) => (answer.ok ? answer.text() : null), () => null);
    if (turn === asked && text !== null) document.getElementById("what-if-said").innerHTML = text;
  });
})();
