// The clock of a recall goes on between two looks at the server; what counts is the server's time.

for (const clock of document.querySelectorAll("[data-clock]")) {
  const before = Number(clock.dataset.clock);
  const since = performance.now();
  setInterval(() => {
    const seconds = before + Math.floor((performance.now() - since) / 1000);
    const [hours, minutes, left] = [Math.floor(seconds / 3600), Math.floor((seconds % 3600) / 60), seconds % 60];
    clock.textContent = hours ? `${hours} h ${minutes} min ${left} s` : minutes ? `${minutes} min ${left} s` : `${left} s`;
  }, 1000);
}
