"use strict";
// The page of a station: it shows what the stream brings, and says when it is old.
const main = document.querySelector("main");
const at = (id) => document.getElementById(id);
let heard = Date.now();

function show(b) {
  at("state").textContent = b.state;
  at("why").textContent = b.why || "";
  at("togo").textContent = b.sizes ? `${b.to_low_um} µm to the low limit, room ${b.room_um} µm` : "";
  at("next").textContent = b.next ? `next: ${b.next.depth_mm} mm / ${b.next.angle_deg}°` : "";
}

const stream = new EventSource(`/station/${main.dataset.station}/stream`);
for (const kind of ["hello", "beat", "bore", "live", "event"]) {
  stream.addEventListener(kind, (e) => {
    heard = Date.now();
    if (kind === "bore") show(JSON.parse(e.data));
    if (kind === "live") at("live").textContent = JSON.parse(e.data).raw_mm;
  });
}
setInterval(() => {
  at("link").textContent = Date.now() - heard > 5000 ? "NO LINK: what you see is old" : "";
}, 500);
