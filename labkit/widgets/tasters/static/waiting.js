// The waiting room: looks every five seconds whether the sheet can be opened now.
setInterval(async () => {
  try {
    if ((await fetch("/alive?book=1", { cache: "no-store" })).ok) location.reload();
  } catch {
    /* the network is away as well */
  }
}, 5000);
