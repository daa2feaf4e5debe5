#include "supply/plot.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <iterator>
#include <limits>

namespace steadycell::supply {
namespace {

constexpr double kWidth = 1000, kHeight = 620;
constexpr std::size_t kMostMarks = 64;  // restarts that still read as single ones

std::string escaped(std::string_view text) {
  std::string out;
  for (const char c : text) switch (c) {
      case '&': out += "&amp;"; break;
      case '<': out += "&lt;"; break;
      case '>': out += "&gt;"; break;
      case '"': out += "&quot;"; break;
      default: out += static_cast<unsigned char>(c) < 0x20 || c == 0x7F ? '?' : c;
    }
  return out;
}

// A rectangle on the paper with the values it stands for.
struct Frame {
  double left, top, width, height;
  double from_x, to_x, from_y, to_y;
  double x(double value) const { return left + width * (value - from_x) / (to_x - from_x); }
  double y(double value) const { return top + height * (1 - (std::clamp(value, from_y, to_y) - from_y) / (to_y - from_y)); }
  double bottom() const { return top + height; }
  double right() const { return left + width; }
};

// 1, 2 or 5 times a power of ten, so that about `count` of them fit.
double tick_of(double span, int count) {
  const double raw = span / count, ten = std::pow(10.0, std::floor(std::log10(raw)));
  for (const double step : {1.0, 2.0, 5.0})
    if (raw <= step * ten) return step * ten;
  return 10 * ten;
}
std::string number(double value, double tick) {
  const int digits = std::max(0, static_cast<int>(-std::floor(std::log10(tick) + 1e-9)));
  return fmt::format("{:.{}f}", value == 0 ? 0.0 : value, digits);
}

class Paper {
 public:
  Paper() {
    out_ = fmt::format("<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0} {1}\" width=\"{0}\" height=\"{1}\" "
                       "font-family=\"sans-serif\" font-size=\"12\" fill=\"black\">\n"
                       "<rect width=\"{0}\" height=\"{1}\" fill=\"white\"/>\n", kWidth, kHeight);
  }
  std::string done() && { return std::move(out_) + "</svg>\n"; }

  void text(double x, double y, std::string_view words, std::string_view more = "") {
    fmt::format_to(std::back_inserter(out_), "<text x=\"{:.1f}\" y=\"{:.1f}\" {}>{}</text>\n", x, y, more, escaped(words));
  }
  void line(double x1, double y1, double x2, double y2, std::string_view style) {
    fmt::format_to(std::back_inserter(out_), "<line x1=\"{:.1f}\" y1=\"{:.1f}\" x2=\"{:.1f}\" y2=\"{:.1f}\" {}/>\n", x1, y1, x2, y2, style);
  }
  // Points with a gap wherever one is missing (NaN).
  void path(const std::vector<std::pair<double, double>>& points, std::string_view style) {
    out_ += "<path d=\"";
    bool pen_down = false;
    for (const auto& [x, y] : points) {
      if (std::isnan(y)) {
        pen_down = false;
        continue;
      }
      fmt::format_to(std::back_inserter(out_), "{}{:.1f} {:.1f}", pen_down ? 'L' : 'M', x, y);
      pen_down = true;
    }
    fmt::format_to(std::back_inserter(out_), "\" {}/>\n", style);
  }
  void axes(const Frame& f, std::string_view x_name, std::string_view y_name, int x_ticks, int y_ticks, bool x_numbers) {
    fmt::format_to(std::back_inserter(out_),
                   "<rect x=\"{:.1f}\" y=\"{:.1f}\" width=\"{:.1f}\" height=\"{:.1f}\" fill=\"none\" stroke=\"black\"/>\n", f.left, f.top,
                   f.width, f.height);
    const double xt = tick_of(f.to_x - f.from_x, x_ticks), yt = tick_of(f.to_y - f.from_y, y_ticks);
    for (long i = std::lround(std::ceil(f.from_x / xt - 1e-9)); static_cast<double>(i) * xt <= f.to_x + 1e-9 * xt; ++i) {
      const double v = static_cast<double>(i) * xt;
      line(f.x(v), f.bottom(), f.x(v), f.bottom() + 5, "stroke=\"black\"");
      if (x_numbers) text(f.x(v), f.bottom() + 18, number(v, xt), "text-anchor=\"middle\"");
    }
    for (long i = std::lround(std::ceil(f.from_y / yt - 1e-9)); static_cast<double>(i) * yt <= f.to_y + 1e-9 * yt; ++i) {
      const double v = static_cast<double>(i) * yt;
      line(f.left - 5, f.y(v), f.left, f.y(v), "stroke=\"black\"");
      text(f.left - 8, f.y(v) + 4, number(v, yt), "text-anchor=\"end\"");
    }
    if (x_numbers) text(f.left + f.width / 2, f.bottom() + 34, x_name, "text-anchor=\"middle\"");
    text(f.left, f.top - 7, y_name);
  }

 private:
  std::string out_;
};

constexpr double kNone = std::numeric_limits<double>::quiet_NaN();

// One column of the drawing: what its bins hold between them.
struct Column {
  double at_s = 0, mean = kNone, low = kNone, high = kNone, volts = kNone;
};
std::vector<Column> columns_of(const Features& f, double until_s, double width) {
  const auto bins = std::min(f.bins.size(), static_cast<std::size_t>(std::max(1.0, until_s / f.bin_s)));
  const std::size_t per = std::max<std::size_t>(1, bins / static_cast<std::size_t>(width));
  std::vector<Column> out;
  for (std::size_t from = 0; from < bins; from += per) {
    Column c;
    c.at_s = (static_cast<double>(from) + 0.5 * static_cast<double>(per)) * f.bin_s;
    double sum = 0, volts = 0;
    std::size_t held = 0;
    for (std::size_t i = from; i < std::min(bins, from + per); ++i) {
      const Bin& bin = f.bins[i];
      if (bin.samples == 0) continue;
      c.low = held == 0 ? bin.low_mA : std::min<double>(c.low, bin.low_mA);
      c.high = held == 0 ? bin.high_mA : std::max<double>(c.high, bin.high_mA);
      sum += bin.mean_mA;
      volts += bin.mean_V;
      ++held;
    }
    if (held > 0) c.mean = sum / static_cast<double>(held), c.volts = volts / static_cast<double>(held);
    out.push_back(c);
  }
  return out;
}

// One spike at switch-on must not flatten all the rest: it has its own drawing. But where next to nothing follows it, it is what
// the trace has to show.
double top_of(const std::vector<Column>& columns) {
  constexpr double kDraws_mA = 3;
  std::vector<double> highs;
  for (const Column& c : columns)
    if (!std::isnan(c.high)) highs.push_back(c.high);
  if (highs.empty()) return 1;
  std::sort(highs.begin(), highs.end());
  const double most = highs.back(), usual = highs[highs.size() * 97 / 100];
  return std::max(1.0, 1.15 * (most < 2.5 * usual || usual < kDraws_mA ? most : 1.6 * usual));
}

void draw_band(Paper& paper, const Frame& f, const std::vector<Column>& columns) {
  // Forth along the highs and back along the lows, a piece for each stretch without a gap.
  for (std::size_t i = 0; i < columns.size();) {
    if (std::isnan(columns[i].mean)) {
      ++i;
      continue;
    }
    std::size_t end = i;
    while (end < columns.size() && !std::isnan(columns[end].mean)) ++end;
    std::vector<std::pair<double, double>> outline;
    for (std::size_t k = i; k < end; ++k) outline.emplace_back(f.x(columns[k].at_s), f.y(columns[k].high));
    for (std::size_t k = end; k-- > i;) outline.emplace_back(f.x(columns[k].at_s), f.y(columns[k].low));
    paper.path(outline, "fill=\"#d4d4d4\" stroke=\"none\"");
    i = end;
  }
}

void draw_mean(Paper& paper, const Frame& f, const std::vector<Column>& columns, std::string_view style) {
  std::vector<std::pair<double, double>> points;
  points.reserve(columns.size());
  for (const Column& c : columns) points.emplace_back(f.x(c.at_s), std::isnan(c.mean) ? kNone : f.y(c.mean));
  paper.path(points, style);
}

void draw_plateaus(Paper& paper, const Frame& f, const Features& trace) {
  double labelled_until = -1;
  for (const Plateau& p : trace.plateaus) {
    if (p.start_s >= f.to_x || p.mA > f.to_y) continue;
    const double from = f.x(std::max(p.start_s, f.from_x)), to = f.x(std::min(p.start_s + p.length_s, f.to_x));
    paper.line(from, f.y(p.mA), to, f.y(p.mA), "stroke=\"black\" stroke-width=\"3\"");
    const std::string label = fmt::format("{:.1f} mA", p.mA);
    const double middle = (from + to) / 2, half = 3.3 * static_cast<double>(label.size());
    if (to - from < 24 || middle - half < labelled_until || middle + half > f.right()) continue;
    paper.text(middle, f.y(p.mA) - 6, label, "text-anchor=\"middle\" stroke=\"white\" stroke-width=\"3\" paint-order=\"stroke\"");
    labelled_until = middle + half + 4;
  }
}

// Where words stand already, row by row from the top: the next ones take the first row that is free there.
class Rows {
 public:
  // No row is free: nothing is written rather than one over the other.
  std::optional<std::size_t> place(double from, double to) {
    for (std::size_t row = 0; row < taken_.size(); ++row) {
      const auto overlaps = [&](const std::pair<double, double>& t) { return from < t.second && t.first < to; };
      if (std::any_of(taken_[row].begin(), taken_[row].end(), overlaps)) continue;
      taken_[row].emplace_back(from, to);
      return row;
    }
    return std::nullopt;
  }

 private:
  std::array<std::vector<std::pair<double, double>>, 8> taken_;
};

void draw_moment(Paper& paper, const Frame& f, double at_s, std::string_view words, std::string_view style, Rows& rows) {
  if (at_s < f.from_x || at_s > f.to_x) return;
  paper.line(f.x(at_s), f.top, f.x(at_s), f.bottom(), style);
  const bool right_side = f.x(at_s) > f.left + 0.75 * f.width;
  const double length = 7.0 * static_cast<double>(words.size()) + 8;
  const auto row = rows.place(right_side ? f.x(at_s) - length : f.x(at_s), right_side ? f.x(at_s) : f.x(at_s) + length);
  if (!row) return;
  paper.text(f.x(at_s) + (right_side ? -4 : 4), f.top + 14 + 14 * static_cast<double>(*row), words,
             fmt::format("text-anchor=\"{}\" stroke=\"white\" stroke-width=\"3\" paint-order=\"stroke\"", right_side ? "end" : "start"));
}

void draw_main(Paper& paper, const PlotInput& in, Frame& f) {
  const Features& trace = *in.trace;
  const auto columns = columns_of(trace, f.to_x, f.width);
  f.to_y = top_of(columns);
  std::vector<Column> beside;
  if (in.twin) {
    beside = columns_of(*in.twin, f.to_x, f.width);
    f.to_y = std::max(f.to_y, top_of(beside));
  }
  const auto limit = in.header.limit_mA;
  const bool limit_shown = limit && *limit < 3 * f.to_y;
  if (limit_shown) f.to_y = std::max(f.to_y, 1.12 * *limit);
  f.from_y = 0;
  for (const Column& c : columns)
    if (c.low < f.from_y) f.from_y = std::max(c.low, -0.08 * f.to_y);

  draw_band(paper, f, columns);
  if (in.twin) draw_mean(paper, f, beside, "fill=\"none\" stroke=\"black\" stroke-width=\"1.2\" stroke-dasharray=\"6 3\"");
  draw_mean(paper, f, columns, "fill=\"none\" stroke=\"#444444\" stroke-width=\"1\"");
  draw_plateaus(paper, f, trace);
  if (limit_shown) {
    paper.line(f.left, f.y(*limit), f.right(), f.y(*limit), "stroke=\"black\" stroke-dasharray=\"12 3 2 3\"");
    paper.text(f.right() - 4, f.y(*limit) - 5, fmt::format("limit {:.0f} mA", *limit), "text-anchor=\"end\"");
  }
  const double on = trace.t_on_s.value_or(0);
  Rows rows;
  for (std::size_t i = 0; i < std::min<std::size_t>(in.header.events.size(), 12); ++i)
    draw_moment(paper, f, in.header.events[i].time_s - on, in.header.events[i].text, "stroke=\"black\" stroke-dasharray=\"1 3\"", rows);
  if (in.parts_s)
    draw_moment(paper, f, *in.parts_s, "parts from the twin", "stroke=\"black\" stroke-width=\"1.6\" stroke-dasharray=\"4 4\"", rows);
  // The power-up sequence came again: a mark below the line each.
  for (const double at : trace.restarts_s)
    if (trace.restarts_s.size() <= kMostMarks && at <= f.to_x)
      paper.path({{f.x(at), f.bottom() - 1}, {f.x(at) - 4, f.bottom() - 10}, {f.x(at) + 4, f.bottom() - 10}, {f.x(at), f.bottom() - 1}},
                 "fill=\"black\"");
  paper.axes(f, "", "supply current, mA: grey from lowest to highest, line the mean, bars the levels", 8, 6, false);

  Frame volts = f;
  volts.top = f.bottom() + 34;
  volts.height = 84;
  volts.from_y = 0;
  volts.to_y = std::max(1.0, 1.1 * trace.top_V);
  std::vector<std::pair<double, double>> points;
  points.reserve(columns.size());
  for (const Column& c : columns) points.emplace_back(volts.x(c.at_s), std::isnan(c.volts) ? kNone : volts.y(c.volts));
  paper.path(points, "fill=\"none\" stroke=\"black\"");
  paper.axes(volts, "seconds after switch-on", "voltage, V", 8, 3, true);
}

void draw_switch_on(Paper& paper, const PlotInput& in, Frame f) {
  if (in.switch_on.empty()) return;
  double most = 1, volts = 1;
  for (const Sample& s : in.switch_on) most = std::max(most, s.mA), volts = std::max(volts, s.volts);
  f.from_x = (in.switch_on.front().time_s - in.switch_on_s) * 1e3;
  f.to_x = std::max(f.from_x + 1e-3, (in.switch_on.back().time_s - in.switch_on_s) * 1e3);
  f.from_y = 0;
  f.to_y = 1.15 * most;
  std::vector<std::pair<double, double>> current, voltage;
  for (const Sample& s : in.switch_on) {
    const double x = f.x((s.time_s - in.switch_on_s) * 1e3);
    current.emplace_back(x, f.y(s.mA));
    voltage.emplace_back(x, f.y(s.volts / volts * most));
  }
  paper.path(voltage, "fill=\"none\" stroke=\"#666666\" stroke-dasharray=\"5 3\"");
  paper.path(current, "fill=\"none\" stroke=\"black\" stroke-width=\"1.4\"");
  paper.axes(f, "milliseconds after switch-on", fmt::format("switch-on, mA (dashed: voltage, {:.1f} V at most)", volts), 5, 5, true);
}

// Words broken at spaces into lines of at most so many characters.
std::vector<std::string> wrapped(std::string_view words, std::size_t most) {
  std::vector<std::string> lines;
  while (!words.empty()) {
    std::size_t end = words.size();
    if (end > most) {
      end = words.rfind(' ', most);
      if (end == std::string_view::npos || end == 0) end = most;
    }
    lines.emplace_back(words.substr(0, end));
    words.remove_prefix(end);
    while (words.starts_with(' ')) words.remove_prefix(1);
  }
  return lines;
}

void draw_words(Paper& paper, const PlotInput& in, double left, double top) {
  constexpr std::size_t kCharacters = 48;
  constexpr double kLine = 15, kLast = kHeight - 24;
  double y = top;
  const auto say = [&](std::string_view words, std::string_view style) {
    for (const std::string& line : wrapped(words, kCharacters)) {
      if (y > kLast) return;
      paper.text(left, y, line, style);
      y += kLine;
    }
  };
  const Features& f = *in.trace;
  const bool rose = f.top_V > 0.8 * nominal_volts(in.header.rail.value_or(Rail::vbus)) || (!in.header.rail && f.top_V > 1.6);
  if (f.t_on_s && !rose) say(fmt::format("never above {:.2f} V; {:.0f} mA flowed: no charge to tell", f.top_V, f.early_mA), "");
  if (f.t_on_s && rose)
    say(fmt::format("switch-on charge {}{:.1f} uC, input {}{:.1f} uF", f.switch_on_uC.at_least ? "at least " : "", f.switch_on_uC.value,
                    f.input_uF.at_least ? "at least " : "", f.input_uF.value),
        "");
  if (f.period_s) say(fmt::format("repeats every {:.0f} ms", 1e3 * f.period_s->value), "");
  if (in.header.limit_mA) say(fmt::format("limit {:.0f} mA", *in.header.limit_mA), "");
  if (in.twin) say("long dashes: the twin", "");
  y += kLine / 2;
  for (const std::string& evidence : in.diagnosis.evidence) say(evidence, "fill=\"#222222\"");
}

}  // namespace

std::string plot_svg(const PlotInput& in) {
  Paper paper;
  paper.text(60, 30, fmt::format("{} ({} within the model)", words_for(in.diagnosis.fault), percent(in.diagnosis.confidence)),
             "font-size=\"18\" font-weight=\"bold\"");
  paper.text(60, 50, in.title, "fill=\"#222222\"");
  const Features& f = *in.trace;
  const double shown = std::max(10 * f.bin_s, static_cast<double>(f.bins.size()) * f.bin_s);
  Frame main{.left = 60, .top = 84, .width = 560, .height = 350, .from_x = 0, .to_x = shown, .from_y = 0, .to_y = 1};
  draw_main(paper, in, main);
  draw_switch_on(paper, in, {.left = 690, .top = 84, .width = 280, .height = 220, .from_x = 0, .to_x = 1, .from_y = 0, .to_y = 1});
  draw_words(paper, in, 660, in.switch_on.empty() ? 100 : 370);
  return std::move(paper).done();
}

}  // namespace steadycell::supply
