# Fits the primary models of a study again, from the files beside this script, and says how far its
# numbers lie from those that the study found:
#
#   Rscript models.R          mixed models by lme4, or by nlme where lme4 is not installed
#   Rscript models.R nlme     mixed models by nlme
#
# Needs the packages survival, and lme4 or nlme. It writes r_numbers.csv (each fit),
# r_pooled.csv (estimate, interval and p), r_differences.csv and r_refused.csv (what it could not
# fit, and why). A failure in one model leaves the others as they are.
#
# models.csv has one row per model: its rows (file), the values drawn for their gaps (filled), how
# many of the columns x1, x2, ... are metrics, and what the model needs beside. Line n of a file,
# after its header, is row n of the values drawn. expected.csv holds each fit of the study,
# printed.csv and tests.csv the numbers of its report, on the scale of the model.

source("fits.R")
source("pooling.R")
source("comparison.R")

packages <- commandArgs(trailingOnly = TRUE)
if (length(packages) == 0) packages <- c("lme4", "nlme")
written <- c("r_numbers.csv", "r_pooled.csv", "r_differences.csv", "r_refused.csv")
unlink(written)

models <- read.csv("models.csv", stringsAsFactors = FALSE)
expected <- read.csv("expected.csv", stringsAsFactors = FALSE)
printed <- read.csv("printed.csv", stringsAsFactors = FALSE)
tests <- read.csv("tests.csv", stringsAsFactors = FALSE)
limits <- read.csv("limits.csv", stringsAsFactors = FALSE)

refuse <- function(model, reason) {
  reason <- trimws(gsub("[[:space:]]+", " ", reason))
  message(model, ": not run: ", reason)
  append_rows(data.frame(model = model, reason = reason), "r_refused.csv")
}

one_model <- function(model) {
  result <- if (model$kind == "cox") fit_cox_model(model) else fit_mixed_model(model, packages)
  package <- result$package
  append_rows(numbers_of(model, result), "r_numbers.csv")
  found <- pooled(result, model)
  append_rows(formatted(found), "r_pooled.csv")
  differences <- rbind(
    of_fits(result, expected[expected$model == model$model, ]),
    of_printed(found, printed[printed$model == model$model, ]),
    of_tests(result, tests[tests$model == model$model, ])
  )
  tell(model$model, package, differences, limits)
  found
}

found <- list()
for (i in seq_len(nrow(models))) {
  name <- models$model[i]
  found[[name]] <- tryCatch(
    one_model(models[i, ]),
    error = function(problem) {
      refuse(name, conditionMessage(problem))
      NULL
    }
  )
}

family <- read.csv("family.csv", stringsAsFactors = FALSE)
for (i in seq_len(nrow(family))) {
  tryCatch(
    tell(
      family$family[i], "survival",
      of_family(found, printed, models$model[models$family == family$family[i]], family[i, ]),
      limits
    ),
    error = function(problem) refuse(family$family[i], conditionMessage(problem))
  )
}
