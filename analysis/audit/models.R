# Fits the primary models again from the files beside this script: Rscript models.R
# Needs the packages survival, and lme4 or nlme. Writes r_numbers.csv.
#
# models.csv has one row per model: its file, its kind (cox, mixed), the treatment of ties, and the
# random part. Columns x1, x2, ... of a file are the columns of its design, in the order of
# expected.csv, which holds what the study found.

models <- read.csv("models.csv", stringsAsFactors = FALSE)
number <- function(x) formatC(x, digits = 17, format = "g", width = 1)
columns_of <- function(data) grep("^x[0-9]+$", names(data), value = TRUE)

fit_cox <- function(model, data) {
  right <- paste(c(columns_of(data), "strata(stratum)"), collapse = " + ")
  fit <- survival::coxph(
    as.formula(paste("survival::Surv(time, event) ~", right), env = asNamespace("survival")),
    data = data, ties = model$ties,
    control = survival::coxph.control(eps = 1e-14, toler.chol = 1e-16, iter.max = 100)
  )
  list(coefficients = coef(fit), errors = sqrt(diag(vcov(fit))), likelihood = fit$loglik[2])
}

fit_lme4 <- function(model, data, fixed) {
  slope <- if (model$slope) "(1 + half | athlete)" else "(1 | athlete)"
  visits <- if (model$visits) "+ (1 | visit)" else ""
  fit <- lme4::lmer(
    as.formula(paste(fixed, "+", slope, visits)), data = data, REML = TRUE,
    control = lme4::lmerControl(
      optimizer = "bobyqa", optCtrl = list(rhoend = 1e-10, maxfun = 1e5),
      check.conv.singular = "ignore", check.conv.grad = "ignore", check.conv.hess = "ignore"
    )
  )
  errors <- sqrt(diag(as.matrix(vcov(fit))))
  list(coefficients = lme4::fixef(fit), errors = errors, likelihood = as.numeric(logLik(fit)))
}

fit_nlme <- function(model, data, fixed) {
  random <- list(athlete = if (model$slope) ~half else ~1)
  if (model$visits) random$visit <- ~1
  fit <- nlme::lme(
    as.formula(fixed), data = data, random = random, method = "REML",
    control = nlme::lmeControl(opt = "optim", msMaxIter = 1000, tolerance = 1e-10)
  )
  errors <- sqrt(diag(vcov(fit)))
  list(coefficients = nlme::fixef(fit), errors = errors, likelihood = as.numeric(logLik(fit)))
}

fit_mixed <- function(model, data) {
  fixed <- paste("response ~ 0 +", paste(columns_of(data), collapse = " + "))
  with_lme4 <- requireNamespace("lme4", quietly = TRUE)
  if (with_lme4) fit_lme4(model, data, fixed) else fit_nlme(model, data, fixed)
}

version_of <- function(kind) {
  mixed <- if (requireNamespace("lme4", quietly = TRUE)) "lme4" else "nlme"
  package <- if (kind == "cox") "survival" else mixed
  paste0("R ", getRversion(), ", ", package, " ", packageVersion(package))
}

rows <- list()
for (i in seq_len(nrow(models))) {
  model <- models[i, ]
  data <- read.csv(model$file, stringsAsFactors = FALSE)
  fit <- tryCatch(
    if (model$kind == "cox") fit_cox(model, data) else fit_mixed(model, data),
    error = function(problem) {
      message(model$model, ": ", conditionMessage(problem))
      NULL
    }
  )
  if (is.null(fit)) next
  rows[[length(rows) + 1]] <- data.frame(
    model = model$model, column = columns_of(data),
    coefficient = number(fit$coefficients), standard_error = number(fit$errors),
    log_likelihood = number(fit$likelihood), version = version_of(model$kind)
  )
}
write.csv(do.call(rbind, rows), "r_numbers.csv", row.names = FALSE)
