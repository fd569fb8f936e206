// Sends the chosen file as it is, so that it may be larger than a form; without script its lines
// are pasted.
const form = document.getElementById('bring');
const file = document.getElementById('file');
const wrong = document.getElementById('bring-wrong');
const button = form && form.querySelector('button');
if (file && wrong && button) {
  const words = button.textContent;
  form.querySelector('.only-script').hidden = false;
  form.addEventListener('submit', async (event) => {
    const chosen = file.files[0];
    if (!chosen) return;
    event.preventDefault();
    if (button.disabled) return;
    wrong.hidden = true;
    button.disabled = true;
    button.textContent = 'Sending the file …';
    try {
      const answer = await fetch(`${form.dataset.send}?name=${encodeURIComponent(chosen.name)}`, { method: 'POST', body: chosen, headers: { 'content-type': 'application/octet-stream' } });
      const said = await answer.json();
      if (answer.ok) { location.assign(said.path); return; }
      wrong.textContent = said.detail;
    } catch {
      wrong.textContent = 'The file did not get through. Try again.';
    }
    wrong.hidden = false;
    button.disabled = false;
    button.textContent = words;
    // Another file may be sent at once.
    delete form.dataset.sent;
  });
  // Back from the file's page: as it was before.
  window.addEventListener('pageshow', () => { button.disabled = false; button.textContent = words; });
}
