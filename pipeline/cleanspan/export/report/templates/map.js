"use strict";
// Reads out time and channel under the pointer; the page is complete without it.
for (const grid of document.querySelectorAll(".mapgrid")) {
  const plot = grid.querySelector(".plot");
  const names = [...grid.querySelectorAll(".names li")].map((item) => item.textContent);
  const duration = Number(grid.dataset.duration);
  const here = document.createElement("div");
  const text = document.createElement("b");
  here.className = "here";
  here.hidden = true;
  here.append(text);
  plot.append(here);
  const clock = (seconds) => {
    const whole = Math.floor(seconds);
    const pad = (value) => String(value).padStart(2, "0");
    return `${Math.floor(whole / 3600)}:${pad(Math.floor(whole / 60) % 60)}:${pad(whole % 60)}`;
  };
  plot.addEventListener("pointermove", (event) => {
    const box = plot.getBoundingClientRect();
    const across = Math.min(1, Math.max(0, (event.clientX - box.left) / box.width));
    const down = (event.clientY - box.top) / box.height;
    const row = Math.min(names.length - 1, Math.max(0, Math.floor(down * names.length)));
    here.style.left = `${100 * across}%`;
    text.textContent = `${clock(across * duration)}  ${names[row]}`;
    here.hidden = false;
  });
  plot.addEventListener("pointerleave", () => { here.hidden = true; });
}
