// A visit booked and a visit logged by the pages' own forms, as a person would; what then is to be seen.

async function send(page, button) {
  await Promise.all([page.waitForEvent("load"), button.click()]);
}

// Gives the pages to look at, each with a name.
export async function deeds({ context, page }, url, complain) {
  await page.goto(`${url}/rounds`);
  const form = page.locator("form[action='/rounds/book']", { has: page.locator("input[name=act][value=book]") }).first();
  const chosen = form.locator("input[name=laptop]").first();
  if (await chosen.count() === 0) { complain("/rounds", "no visit is planned, so none can be booked"); return []; }
  const id = await chosen.getAttribute("value");
  const laptop = `/rounds/laptops/${id}`;
  await chosen.check();
  await send(page, form.locator("button[type=submit]"));
  const row = await page.locator("tr", { has: page.locator(`input[name=laptop][value="${id}"]`) }).innerText();
  if (!row.includes("booked")) complain("booked", `its row does not say so: ${row}`);

  await page.goto(url + laptop);
  const visit = page.locator("form[action$='/visits']");
  await visit.locator("input[name=action][value=clean]").check();
  await visit.locator("input[name=minutes]").fill("25");
  await visit.locator("[name=found]").fill("felt in the fins");
  await send(page, visit.locator("button[type=submit]").last());
  await page.goto(`${url}/laptops/${id}`);
  const logged = await page.locator("main").innerText();
  if (!logged.includes("felt in the fins")) complain("logged", `the visit is not shown: ${logged.slice(0, 300)}`);
  await context.close();
  return [
    { state: "booked-rounds", path: "/rounds" },
    { state: "logged-service", path: laptop },
    { state: "logged-laptop", path: `/laptops/${id}` },
  ];
}
